"""One run from its logs to its estimates, worked out once: whoever asks again is given what was stored."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from analyzer.comparison.setups import run_stiffness_ratio
from analyzer.core.files import open_plain
from analyzer.core.store import Store, digest_of, run_key
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.session.unit_doubts import with_unit_doubts
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, Run, Setup
from analyzer.vehicle.bar.rate import bar_rates

_FORM: Final = "recording and estimates"
RunResult = tuple[Recording, RunEstimates]


class RunStore:
    """The runs of one car on one course; a review and an archive that ask for the same run share its result.

    Parameters
    ----------
    store : Store
        Where results lie.
    car, course : CarSheet, CourseSheet or None
        What the estimates rest on, as they are used: not as they stand in a file that may have changed since.
    seed : int
        Seed of the random draws.
    """

    def __init__(self, store: Store, car: CarSheet, course: CourseSheet | None, seed: int = 0) -> None:
        self._store = store
        self._car = car
        self._course = course
        self._seed = seed
        self._sheets = (car.model_dump(), None if course is None else course.model_dump())

    def result(
        self,
        run: Run,
        setup: Setup,
        prediction: SetupPrediction,
        logs: Sequence[Path],
        hashes: Sequence[str] | None = None,
    ) -> RunResult:
        """Return recording and estimates of a run; its logs are read only when they are not in the store.

        Parameters
        ----------
        run, setup : Run, Setup
            Its entry in the session sheet, and the hardware it was driven on.
        prediction : SetupPrediction
            Of that set-up.
        logs : sequence of Path
            Its log files.
        hashes : sequence of str, optional
            SHA-256 of each, when they are known already.

        Raises
        ------
        LogError
            When a log cannot be used; a failure is not stored.
        """
        if hashes is None and self._store.used:
            hashes = _hashes(logs)
        if hashes is None:
            return self._worked_out(run, setup, prediction, logs)
        plain = (*self._sheets, setup.model_dump(), run.model_dump())
        key = digest_of(run_key(_FORM, *plain, hashes), self._seed)
        found = self._store.get(key)
        if _is_result(found):
            recording, estimates = found
            # The same log may lie in another folder now.
            sources = zip(recording.sources, logs, strict=True)
            return replace(recording, sources=tuple(replace(s, path=p) for s, p in sources)), estimates
        recording, estimates = self._worked_out(run, setup, prediction, logs)
        # A log that changed while it was read is not the one the key was made of.
        if [source.sha256 for source in recording.sources] == list(hashes):
            self._store.put(key, (recording, estimates))
        return recording, estimates

    def _worked_out(
        self, run: Run, setup: Setup, prediction: SetupPrediction, logs: Sequence[Path]
    ) -> RunResult:
        recording = with_unit_doubts(record_run(run, logs, self._car), self._car, prediction)
        return self.estimated(run, setup, prediction, recording)

    def estimated(
        self, run: Run, setup: Setup, prediction: SetupPrediction, recording: Recording
    ) -> RunResult:
        """Return recording and estimates of a run whose logs have been read; nothing is stored."""
        rates = bar_rates(self._car, setup)
        estimates = estimate_run(recording, self._car, run.setup, rates, self._course, self._seed)
        ratio = run_stiffness_ratio(self._car, prediction, estimates)
        return recording, replace(estimates, further={**estimates.further, "roll_stiffness_ratio": ratio})


def record_run(run: Run, logs: Sequence[Path], car: CarSheet) -> Recording:
    """Read the logs of one run as its entry in the session sheet says; raises `LogError`."""
    level = None if run.level is None else (run.level[0].value, run.level[1].value)
    offsets = None if run.clock_offsets is None else [offset.value for offset in run.clock_offsets]
    return read_recording(run.name, logs, car, level, offsets)


def _hashes(logs: Sequence[Path]) -> list[str] | None:
    """Return the hash of each log; None when one cannot be read: whoever reads it says so in plain words."""
    found = []
    try:
        for path in logs:
            with open_plain(path) as file:
                found.append(hashlib.file_digest(file, "sha256").hexdigest())
    except OSError:
        return None
    return found


def _is_result(found: object) -> bool:
    return (
        isinstance(found, tuple)
        and len(found) == 2
        and isinstance(found[0], Recording)
        and isinstance(found[1], RunEstimates)
    )
