"""Runs that were estimated before: taken as they were, when nothing that could change them did."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from analyzer.core.store import Kept, digest_of, run_key
from analyzer.ingest.recording import Recording
from analyzer.processing.results import RunEstimates

if TYPE_CHECKING:
    from analyzer.sheets.car import CarSheet
    from analyzer.sheets.session import CourseSheet, Run, Setup


_FORM: Final = "recording and estimates"
_Found = tuple[Recording, RunEstimates]


class KeptRuns:
    """The runs of one car on one course.

    Parameters
    ----------
    kept : Kept
        Where they are kept.
    car, course : CarSheet, CourseSheet or None
        What the estimates rest on, as they are used: not as they stand in a file that may have changed since.
    seed : int
        Seed of the random draws.
    """

    def __init__(self, kept: Kept, car: CarSheet, course: CourseSheet | None, seed: int) -> None:
        self._kept = kept
        self._car = car.model_dump()
        self._course = None if course is None else course.model_dump()
        self._seed = seed

    def result(
        self, run: Run, setup: Setup, logs: tuple[Path, ...], work: Callable[[], _Found]
    ) -> tuple[Recording, RunEstimates]:
        """Return recording and estimates of a run, from `work` only when they are not kept.

        Parameters
        ----------
        run, setup : Run, Setup
            Its entry in the session sheet, and the hardware it was driven on.
        logs : tuple of Path
            Its log files.
        work : callable
            Reads and estimates the run; what it raises is passed on and not kept.
        """
        key = self._key(run, setup, logs) if self._kept.used else None
        if key is None:
            return work()
        name, hashes = key
        found = self._kept.find(name)
        if _is_result(found):
            recording, estimates = found
            # The same log may lie in another folder now.
            sources = zip(recording.sources, logs, strict=True)
            return replace(recording, sources=tuple(replace(s, path=p) for s, p in sources)), estimates
        recording, estimates = work()
        # A log that changed while it was read is not the one the key was made of.
        if [source.sha256 for source in recording.sources] == hashes:
            self._kept.keep(name, (recording, estimates))
        return recording, estimates

    def _key(self, run: Run, setup: Setup, logs: tuple[Path, ...]) -> tuple[str, list[str]] | None:
        """Return the key of a run and the hashes of its logs; None when a log cannot be read."""
        try:
            hashes = [_sha256(path) for path in logs]
        except OSError:  # whoever reads it says so in plain words
            return None
        name = run_key(_FORM, self._car, self._course, setup.model_dump(), run.model_dump(), hashes)
        return digest_of(name, self._seed), hashes


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _is_result(found: object) -> bool:
    return (
        isinstance(found, tuple)
        and len(found) == 2
        and isinstance(found[0], Recording)
        and isinstance(found[1], RunEstimates)
    )
