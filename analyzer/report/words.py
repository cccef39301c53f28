"""Names and figures as a reader sees them: short, printable, with unit and error."""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final, TypeVar

from analyzer.core.errors import one_line
from analyzer.core.estimate import Estimate, decimals_for_error, format_estimate
from analyzer.core.units import DEG_PER_RAD, MM_PER_M, Axle

LONGEST_NAME: Final = 40
LONGEST_COMMENT: Final = 400
UNKNOWN: Final = "—"
LOW_FACTOR: Final = 1.5
"""Stress factors below this are marked: engineering judgement."""

What = TypeVar("What")
Whose = TypeVar("Whose")

_RIGHT_TO_LEFT: Final = {"R", "AL", "AN"}
_MOST_MARKS: Final = 3
_ISOLATE: Final = ("\u2068", "\u2069")


def label(text: str, longest: int = LONGEST_NAME) -> str:
    """Return a name from a log or sheet on one line, shortened, without control characters."""
    # Marks piled on one letter would run over the lines above; cut first, since a name may be very long.
    kept: list[str] = []
    piled = 0
    for letter in text[: 20 * longest]:
        piled = piled + 1 if unicodedata.combining(letter) else 0
        if piled <= _MOST_MARKS:
            kept.append(letter)
    line = one_line("".join(kept), longest + 1)
    return (line if len(line) <= longest else line[: longest - 1] + "…") or "(no name)"


def name(text: str, longest: int = LONGEST_NAME) -> str:
    """Return a name as `label` does, for use inside a sentence.

    A name that holds right-to-left letters is isolated (Unicode UAX 9), so that it cannot reorder the
    figures beside it.
    """
    shown = label(text, longest)
    if any(unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in shown):
        return f"{_ISOLATE[0]}{shown}{_ISOLATE[1]}"
    return shown


def sentence(text: str, longest: int = LONGEST_COMMENT) -> str:
    """Return a comment from another room as one printable line that ends with a full stop."""
    line = one_line(text, longest)
    if not line:
        return ""
    # A key of a sheet or a channel is written as the sheet has it.
    first = line.split()[0].rstrip(".,:;")
    start = line[0] if "_" in first or "." in first else line[0].upper()
    return start + line[1:] + ("" if line[-1] in ".!?…" else ".")


def capital(words: str) -> str:
    """Return words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def in_unit(estimate: Estimate, factor: float, unit: str) -> Estimate:
    """Return an estimate in another unit, `factor` new units per old one (positive)."""
    interval = estimate.interval
    return replace(
        estimate,
        unit=unit,
        value=times(estimate.value, factor),
        std_error=times(estimate.std_error, factor),
        calibration=times(estimate.calibration, factor),
        interval=None if interval is None else (interval[0] * factor, interval[1] * factor),
    )


def times(value: float | None, factor: float) -> float | None:
    """Return `value` in a unit of which `factor` make one old one; None stays None."""
    return None if value is None else value * factor


def percent(estimate: Estimate) -> Estimate:
    """Return a share or ratio (unit 1) in percent."""
    return in_unit(estimate, 100.0, "%")


def without_sign(change: Estimate) -> Estimate:
    """Return the size of a change, the smaller end of its interval first."""
    if change.value is None or change.value >= 0.0:
        return change
    # Turned round, the upper end becomes the lower one.
    ends = change.interval
    return replace(change, value=-change.value, interval=None if ends is None else (-ends[1], -ends[0]))


def readable(estimate: Estimate) -> Estimate:
    """Return an estimate in the unit of the page: bar rates in N/mm, all others as they are."""
    return in_unit(estimate, 1.0 / MM_PER_M, "N/mm") if estimate.unit == "N/m" else estimate


PROVISIONAL: Final = "provisional"
STAR: Final = " *"
"""Mark of a provisional figure where a column has no room for the word."""


def figure(estimate: Estimate, with_unit: bool = True) -> str:
    """Return ``2.31 ± 0.02 deg/g``, digits set by the error; a dash when there is no value."""
    mark = f" ({PROVISIONAL})" if estimate.provisional else ""
    return bare(estimate, with_unit) + mark


def bare(estimate: Estimate, with_unit: bool = True) -> str:
    """Return a figure without a word on whether it is provisional, for those who say so beside it."""
    return true_minus(format_estimate(estimate, with_unit))


def starred(estimate: Estimate, with_unit: bool = False) -> str:
    """Return a figure for a narrow column, with a star where it is provisional."""
    return bare(estimate, with_unit) + (STAR if estimate.provisional else "")


def interval(estimate: Estimate) -> str:
    """Return ``0.82 to 0.86``, digits set by the half width; empty when there is no interval."""
    if estimate.interval is None:
        return ""
    low, high = estimate.interval
    places = _places(low, high)
    return true_minus(f"{low:.{places}f} to {high:.{places}f}")


def _places(low: float, high: float) -> int:
    # An interval without width (an exact figure) has no error to set the digits.
    half = abs(high - low) / 2.0
    return max(decimals_for_error(half), 0) if half > 0.0 else 3


def clause(text: str, longest: int = LONGEST_COMMENT) -> str:
    """Return a comment as the end of a sentence: lower case, no full stop."""
    # An abbreviation or unit at the start ("GPS", "B4") keeps its capital: the second letter tells it.
    line = one_line(text, longest).rstrip(".")
    second = line[1:2]
    return line if second.isupper() or second.isdigit() else line[:1].lower() + line[1:]


def value_with_interval(estimate: Estimate, word: str = "") -> str:
    """Return ``0.842 (0.82 to 0.86)``, `word` before the interval; the value alone when there is none."""
    # The value has as many digits as the ends of its interval, or the reader would compare unlike things.
    if estimate.value is None or estimate.interval is None:
        return figure(estimate)
    mark = f"; {PROVISIONAL}" if estimate.provisional else ""
    return f"{value_alone(estimate)} ({word}{interval(estimate)}{mark})"


def value_alone(estimate: Estimate) -> str:
    """Return ``0.842 N``, digits set by the interval; with its error where there is no interval."""
    if estimate.value is None or estimate.interval is None:
        return figure(estimate)
    shown = f"{estimate.value:.{_places(*estimate.interval)}f}"
    unit = "" if estimate.unit in ("", "1") else f" {estimate.unit}"
    return true_minus(shown + unit)


def reason(estimate: Estimate) -> str:
    """Return why an estimate has no value or no error, or that it is provisional; empty when it is sound."""
    if estimate.value is None:
        return sentence(estimate.notes[0])
    if estimate.provisional:
        return sentence(PROVISIONAL)
    if estimate.std_error is None and estimate.notes:
        return sentence(estimate.notes[0])
    return ""


def millimetres(metres: float, places: int = 0, with_unit: bool = True) -> str:
    """Return a length in mm."""
    unit = " mm" if with_unit else ""
    return true_minus(f"{metres * MM_PER_M:z.{places}f}{unit}")


def degrees(radians: float | None, places: int = 0) -> str:
    """Return an angle in degrees; a dash when it is not known."""
    return UNKNOWN if radians is None else true_minus(f"{radians * DEG_PER_RAD:z.{places}f}°")


def plain(value: float, places: int) -> str:
    """Return a number with so many places, with a true minus and never ``-0``."""
    return true_minus(f"{value:z.{places}f}")


def count(number: int, one: str, many: str | None = None) -> str:
    """Return ``3 runs``, ``1 run`` or ``no runs``."""
    plural = many or one + "s"
    return f"no {plural}" if number == 0 else f"{number} {one if number == 1 else plural}"


def spacers(number: int | None) -> str:
    """Return ``0 spacers``, ``1 spacer`` or ``2 spacers``, as they are counted in a setting."""
    return f"{number} spacer{'' if number == 1 else 's'}"


def listed(words: list[str], most: int = 6) -> str:
    """Return ``a, b and c``; beyond `most` the rest is counted."""
    # The rest is counted, never dropped in silence.
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most} more"]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


_FIGURES: Final = re.compile(r"[-+−]?\d[\d.]*")


def without_figures(text: str) -> str:
    """Return a text with 0 for each of its figures: two of one kind then read the same."""
    return _FIGURES.sub("0", text)


def together(told: Iterable[tuple[What, Whose]]) -> dict[What, list[Whose]]:
    """Return what is told -> all it is told of, in the order they come, so that it is told once."""
    groups: dict[What, list[Whose]] = {}
    for what, whose in told:
        groups.setdefault(what, []).append(whose)
    return groups


def until_measured(keys: Sequence[str], most: int = 5) -> str:
    """Return ``mass.cg_height is measured``, or ``... and 3 more are measured``."""
    verb = "is" if len(keys) == 1 else "are"
    return f"{listed([label(key) for key in keys], most)} {verb} measured"


def axle_words(axle: Axle | None) -> str:
    """Return whose roll stiffness a comparison is about."""
    return "the car's roll stiffness" if axle is None else f"{axle} roll stiffness"


def true_minus(text: str) -> str:
    """Return a figure with the minus sign of print."""
    # The minus sign of print is as wide as a figure; the dash for "unknown" is another sign and stays.
    return text.replace("-", "−") if text and text != UNKNOWN else text
