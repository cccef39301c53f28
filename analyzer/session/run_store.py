"""The runs of one session from their logs to their estimates, worked out once and stored."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from analyzer.comparison.setups import run_stiffness_ratio
from analyzer.core.files import open_plain
from analyzer.core.store import Store, digest_of, run_key
from analyzer.core.units import Uncertain
from analyzer.ingest.attitude import with_lean
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.provisional import with_provisional
from analyzer.processing.results import RunEstimates
from analyzer.session.same_mounting import Mounting, Witness, mountings, witness_of
from analyzer.session.unit_doubts import with_unit_doubts
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, Run, Setup
from analyzer.vehicle.bar.rate import bar_rates

_FORM: Final = "recording and estimates"
_WITNESS: Final = "what a run tells of its mounting"
RunResult = tuple[Recording, RunEstimates]


@dataclass(frozen=True, slots=True)
class RunSheets:
    """What the sheets say that the results of a session's runs rest on: as used, not as files stand by now.

    Parameters
    ----------
    car, course : CarSheet, CourseSheet or None
        The car and where it was driven.
    setups : mapping
        Name -> hardware.
    runs : sequence of Run
        Entries of the session sheet, in the order they were driven.
    logs : mapping
        Run -> its log files; a run without its logs is missing.
    predict : callable
        Name of a set-up -> its prediction.
    """

    car: CarSheet
    course: CourseSheet | None
    setups: Mapping[str, Setup]
    runs: Sequence[Run]
    logs: Mapping[str, Sequence[Path]]
    predict: Callable[[str], SetupPrediction]

    def run(self, name: str) -> Run:
        """Return the entry of a run."""
        return next(run for run in self.runs if run.name == name)


@dataclass(slots=True)
class _Seen:
    """What is known of a run's logs: what they tell, or why they cannot be used."""

    witness: Witness | None = None
    error: Exception | None = None
    recording: Recording | None = None
    changed: bool = False


@dataclass(slots=True)
class RunStore:
    """The runs of one session; a review and an archive that ask for the same run share its result.

    Each log is read once. What the runs tell together (`same_mounting`) goes into the estimates of each, so
    all of them are looked at before the first is estimated.

    Parameters
    ----------
    store : Store
        Where results lie.
    sheets : RunSheets
        What they rest on.
    seed : int
        Seed of the random draws.
    hashes : dict
        Run -> SHA-256 of each of its logs, as far as they are known already.
    hold : bool
        Whether recordings that were read are held until their run is asked for, so that no log is read again.
    known : dict
        Run -> what it tells, from an earlier look at logs of the same hashes; taken from here and added to.
    """

    store: Store
    sheets: RunSheets
    seed: int = 0
    hashes: dict[str, list[str] | None] = field(default_factory=dict)
    hold: bool = True
    known: dict[str, Witness] = field(default_factory=dict)
    _seen: dict[str, _Seen] = field(default_factory=dict, init=False)
    _mountings: dict[str, Mounting] | None = field(default=None, init=False)

    def look(self, name: str) -> None:
        """Find out what a run tells of the mounting; a log that is of no use is told when it is asked for."""
        if name not in self._seen:
            self._look(name, self.hold)

    def recording(self, name: str) -> Recording:
        """Return a run as read, with the mounting that the session tells.

        Raises
        ------
        LogError
            When a log cannot be used; a failure is not stored.
        """
        self._look_at_all(name)
        return self._mounted(name)

    def result(self, name: str) -> RunResult:
        """Return recording and estimates of a run; raises as `recording`."""
        self._look_at_all(name)
        mounting = self._mounting(name)
        key = self._key(name, _FORM, mounting, self.seed)
        found: Any = None if key is None else self.store.get(key)
        if _is_result(found):
            recording, estimates = found
            self._seen[name].recording = None
            # The same log may lie in another folder now.
            sources = zip(recording.sources, self.sheets.logs[name], strict=True)
            return replace(recording, sources=tuple(replace(s, path=p) for s, p in sources)), estimates
        result = self.estimated(self._mounted(name))
        # A log that changed while it was read is not the one the key was made of.
        if key is not None and not self.changed:
            self.store.put(key, result)
        return result

    @property
    def changed(self) -> bool:
        """Whether a log was no longer what its hash says when it was read."""
        return any(seen.changed for seen in self._seen.values())

    def estimated(self, recording: Recording) -> RunResult:
        """Return recording and estimates of a run whose logs have been read; nothing is stored."""
        car, run = self.sheets.car, self.sheets.run(recording.run)
        rates = bar_rates(car, self.sheets.setups[run.setup])
        estimates = estimate_run(recording, car, run.setup, rates, self.sheets.course, self.seed)
        ratio = run_stiffness_ratio(car, self.sheets.predict(run.setup), estimates)
        estimates = replace(estimates, further={**estimates.further, "roll_stiffness_ratio": ratio})
        return recording, with_provisional(estimates, car, self.sheets.setups[run.setup])

    def _look_at_all(self, asked: str) -> None:
        # The run that is asked for comes first: its recording is wanted next, and held.
        if asked not in self._seen:
            self._look(asked, hold=True)
        for run in self.sheets.runs:
            if run.name in self.sheets.logs:
                self.look(run.name)
        if self._mountings is None:
            told = {name: seen.witness for name, seen in self._seen.items() if seen.witness is not None}
            self._mountings = mountings(self.sheets.runs, told)

    def _mounting(self, name: str) -> Mounting:
        error = self._seen[name].error
        if error is not None:
            raise error
        assert self._mountings is not None
        return self._mountings[name]

    def _mounted(self, name: str) -> Recording:
        mounting = self._mounting(name)
        recording, self._seen[name].recording = self._seen[name].recording, None
        if recording is None or mounting.zeros:
            # With another zero all checks of the pots come out otherwise, so the log is read anew.
            recording = self._read(name, mounting.zeros)
            # It may have changed since it was looked at.
            self._seen[name].changed |= self._is_another(recording)
        return with_lean(recording, mounting.box)

    def _look(self, name: str, hold: bool) -> None:
        seen = self._seen[name] = _Seen()
        known = self.known.get(name)
        if known is not None and list(known.logs) == self.hashes.get(name):
            seen.witness = known
            return
        key = self._key(name, _WITNESS)
        found = None if key is None else self.store.get(key)
        if isinstance(found, Witness):
            seen.witness = self.known[name] = found
            return
        try:
            recording = self._read(name)
        except Exception as error:  # costs the others nothing; whoever asks for this run is told
            seen.error = error
            return
        seen.witness = self.known[name] = witness_of(recording, self.sheets.car)
        seen.recording = recording if hold else None
        seen.changed = self._is_another(recording)
        if key is not None and not seen.changed:
            self.store.put(key, seen.witness)

    def _is_another(self, recording: Recording) -> bool:
        """Return whether what was read is not what the hashes of its logs say."""
        hashes = self.hashes.get(recording.run)
        return hashes is not None and [source.sha256 for source in recording.sources] != hashes

    def _read(self, name: str, zeros: Mapping[str, Uncertain] | None = None) -> Recording:
        run = self.sheets.run(name)
        recording = record_run(run, self.sheets.logs[name], self.sheets.car, zeros or {})
        return with_unit_doubts(recording, self.sheets.car, self.sheets.predict(run.setup))

    def _key(self, name: str, form: str, *more: Any) -> str | None:
        """Return what a result of a run is stored under; None without a store or a log that can be read."""
        if not self.store.used:
            return None
        if name not in self.hashes:
            self.hashes[name] = _hashes(self.sheets.logs[name])
        hashes = self.hashes[name]
        if hashes is None:
            return None
        run, course = self.sheets.run(name), self.sheets.course
        setup = self.sheets.setups[run.setup]
        plain = (
            # What is marked as not measured decides what the figures are called.
            {**self.sheets.car.model_dump(), "unmeasured": self.sheets.car.unmeasured + setup.unmeasured},
            None if course is None else course.model_dump(),
            setup.model_dump(),
            run.model_dump(exclude={"box_moved"}),
        )
        return digest_of(run_key(form, *plain, hashes), *more)


def record_run(
    run: Run, logs: Sequence[Path], car: CarSheet, zeros: Mapping[str, Uncertain] | None = None
) -> Recording:
    """Read the logs of one run by itself, as its entry in the session sheet says; raises `LogError`."""
    level = None if run.level is None else (run.level[0].value, run.level[1].value)
    offsets = None if run.clock_offsets is None else [offset.value for offset in run.clock_offsets]
    return read_recording(run.name, logs, car, level, offsets, zeros or {})


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
