"""What is said of the clocks of several logs: a match with its certainty, or a refusal."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.errors import LogError
from analyzer.ingest.clocks import ClockMatch
from analyzer.ingest.logfile import LogFile
from analyzer.ingest.recording import HealthRow, Verdict

GOOD_ERROR: Final = 0.005
"""Error of an offset that spoils no gradient [s]: half a sample at 100 Hz; engineering judgement."""
STATED_TOLERANCE: Final = 0.02
"""Difference between stated and found offset that may be rounding and tyres [s]; engineering judgement."""
SAME_CLOCK: Final = 0.05


def stated_clock(match: ClockMatch | None, file: LogFile) -> HealthRow:
    """Return the row that holds a stated offset against what the motion shows."""
    name = file.path.name
    if match is None or not match.certain:
        text = f"{name}: offset as stated; the logs share no motion that could confirm it."
        return HealthRow("clock offset", "time", Verdict.NOT_TESTED, None, None, "s", text)
    off = abs(match.offset)
    verdict = Verdict.GOOD if off <= STATED_TOLERANCE else Verdict.SUSPECT
    agrees = "agrees with" if verdict is Verdict.GOOD else "does not agree with"
    text = f"{name}: the stated offset {agrees} the {match.basis}, which want {match.offset:+.4f} s more."
    return HealthRow("clock offset", "time", verdict, match.offset, STATED_TOLERANCE, "s", text)


def one_clock(first: LogFile, file: LogFile) -> HealthRow | None:
    """Return the row for two logs that bear the same stamps, and such as two clocks would not give by chance.

    Any logger may begin at 0 and count evenly: such stamps tell nothing.
    """
    a, b = first.seconds, file.seconds
    if len(a) != len(b) or not bool(np.all(a == b)) or (a[0] == 0.0 and np.ptp(np.diff(a)) < 1e-6):
        return None
    text = f"{file.path.name}: bears the stamps of {first.path.name} row by row, so both are on one clock."
    return HealthRow("clock offset", "time", Verdict.NOT_TESTED, None, None, "s", text)


def found_clock(
    match: ClockMatch | None, first: LogFile, file: LogFile
) -> tuple[HealthRow, NDArray[np.float64], str]:
    """Return the row for an offset that was not stated, the file's times on the first clock, and the step.

    Raises
    ------
    LogError
        When the offset cannot be known.
    """
    name = file.path.name
    if match is not None and match.certain:
        error = "unknown error" if match.std_error is None else f"± {match.std_error:.4f} s"
        drift = f", drift {match.drift * 1e6:+.0f} ppm" if match.drift else ""
        text = (
            f"{name}: {match.offset:+.4f} s {error}{drift} on its clock, found from {match.basis} "
            f"(correlation {match.match:.2f}, {match.margin:.1f} times the next best offset)"
        )
        fine = match.std_error is not None and match.std_error <= GOOD_ERROR
        verdict = Verdict.GOOD if fine else Verdict.SUSPECT
        row = HealthRow("clock offset", "time", verdict, match.std_error, GOOD_ERROR, "s", text + ".")
        return row, match.apply(file.seconds), text + " (runs.clock_offsets)"
    overlap = min(first.seconds[-1], file.seconds[-1]) - max(first.seconds[0], file.seconds[0])
    absolute = first.origin is not None and file.origin is not None
    if absolute and overlap > 0:
        text = f"{name}: placed by its own date and time; no motion confirms that the clocks agree"
        row = HealthRow("clock offset", "time", Verdict.SUSPECT, None, None, "s", text + ".")
        return row, file.seconds, text + " (runs.clock_offsets)"
    why = (
        "share no motion to match their clocks by"
        if match is None
        else (f"do not match clearly (best correlation {match.match:.2f}, {match.margin:.1f} times the next)")
    )
    raise LogError(
        file.path,
        "time",
        f"this log and {first.path.name} {why}",
        'state the offsets in the session sheet, for instance clock_offsets = ["0 s", "1.25 s"]',
    )
