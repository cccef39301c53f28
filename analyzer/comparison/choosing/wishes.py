"""What the tuner wants from the next setting: goals in figures, out of plain words."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from analyzer.core.constants import Axle
from analyzer.core.errors import AnalyzerError, one_line

Quantity = Literal[
    "stiffness front",
    "stiffness rear",
    "stiffness total",
    "gradient front",
    "gradient rear",
    "gradient total",
    "front share",
    "margin",
]

Kind = Literal["value", "ratio", "at least"]

COMMON_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Goal:
    """One figure that is wanted.

    Parameters
    ----------
    quantity : str
        Which.
    kind : {"value", "ratio", "at least"}
        An absolute value (gradient [deg/g], share [1], margin [mm]), a ratio to the present set-up, or a
        lower limit.
    wanted : float
        The figure.
    tolerance : float
        Distance that still counts as reached, in the same unit (a ratio's in parts of one).
    """

    quantity: Quantity
    kind: Kind
    wanted: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted.

    Parameters
    ----------
    words : str
        As the tuner put it.
    goals : tuple of Goal
        All of them.
    bar_off : Axle or None
        Axle whose bar must be off.
    only : Axle or None
        Axle that alone may be changed; None for both.
    base : str or None
        Set-up of the session that ratios count from; None for what is on the car now.
    assumptions : tuple of str
        What is taken for granted.
    """

    words: str
    goals: tuple[Goal, ...]
    bar_off: Axle | None = None
    only: Axle | None = None
    base: str | None = None
    assumptions: tuple[str, ...] = ()


RATIO_TOLERANCE: Final = 0.02
BALANCE_TOLERANCE: Final = 0.005
GRADIENT_TOLERANCE: Final = 0.03
MARGIN_TOLERANCE: Final = 0.5

PRESETS: Final[dict[str, Wish]] = {
    "small tight course": Wish(
        "small tight course: let the rear roll more, so that the car turns in easily",
        (Goal("stiffness rear", "ratio", 0.85, 0.05), Goal("stiffness front", "ratio", 1.0, RATIO_TOLERANCE)),
        assumptions=(
            f"rear bar soft or off on small tight courses, front bar stiff ({COMMON_PRACTICE})",
            "a step of 15 % of the rear roll stiffness to begin with (engineering judgement)",
        ),
    ),
    "fast course": Wish(
        "fast course: less roll of the whole car, balance as it is",
        (Goal("stiffness total", "ratio", 1.07, 0.03), Goal("front share", "ratio", 1.0, BALANCE_TOLERANCE)),
        assumptions=(
            f"at speed the car should lean less and keep its balance ({COMMON_PRACTICE})",
            "a step of 7 % of the car's roll stiffness to begin with (engineering judgement)",
        ),
    ),
    "banked course": Wish(
        "banked course: stiffer rear bar, so that the loaded side keeps travel on the bank",
        (Goal("stiffness rear", "ratio", 1.10, 0.05), Goal("stiffness front", "ratio", 1.0, RATIO_TOLERANCE)),
        assumptions=(
            f"rear bar stiffer on banked courses ({COMMON_PRACTICE})",
            "a step of 10 % of the rear roll stiffness to begin with (engineering judgement)",
            "a bar acts on the roll part of the travel only; on a bank most of it is heave, which is for "
            "spring, ride height or bump stop",
        ),
    ),
}
"""Typical wishes of the trade, in plain words."""

EXAMPLES: Final = (
    '"rear 5 % softer"',
    '"front 10 % stiffer"',
    '"roll gradient 2.0 deg/g"',
    '"front share 62 %"',
    '"margin 5 mm"',
    '"no rear bar"',
    '"as A but 5 % softer at the rear"',
    *(f'"{name}"' for name in PRESETS),
)

_NUMBER: Final = r"(\d+(?:[.,]\d+)?)"


def parse_wish(text: str) -> Wish:
    """Read a wish.

    Understood: "rear 5 % softer", "front 10 % stiffer", "car 5 % softer"; "roll gradient 2.0 deg/g", "front
    gradient 1.5"; "front share 62 %"; "margin 5 mm"; "no rear bar" (roll stiffness of the car kept); and the
    names of `PRESETS`; "as A but 5 % softer at the rear", A being a set-up of the session.

    Raises
    ------
    AnalyzerError
        One line with examples.
    """
    plain = " ".join(text.lower().split())
    if plain in PRESETS:
        return PRESETS[plain]
    for pattern, build in _FORMS:
        match = pattern.fullmatch(plain)
        if match is not None:
            return build(plain, match)
    shown = one_line(text, 60)
    raise AnalyzerError(f'the wish "{shown}" is not understood; write for instance {", ".join(EXAMPLES)}')


def _step(words: str, match: re.Match[str]) -> Wish:
    part = {"car": "total"}.get(match["part"], match["part"])
    size = _float(match["size"]) / 100.0
    if not 0.0 < size < 0.9:
        raise AnalyzerError(f'the wish "{words}" asks for {size:.0%}; name a step between 0 and 90 %')
    wanted = 1.0 - size if match["way"] == "softer" else 1.0 + size
    goal = Goal(f"stiffness {part}", "ratio", wanted, min(RATIO_TOLERANCE, size / 3.0))  # type: ignore[arg-type]
    if part == "total":
        return Wish(words, (goal, Goal("front share", "ratio", 1.0, BALANCE_TOLERANCE)))
    axle: Axle = "front" if part == "front" else "rear"
    return Wish(words, (goal,), only=axle)


def _as_other(words: str, match: re.Match[str]) -> Wish:
    size = _float(match["size"]) / 100.0
    if not 0.0 < size < 0.9:
        raise AnalyzerError(f'the wish "{words}" asks for {size:.0%}; name a step between 0 and 90 %')
    wanted = 1.0 - size if match["way"] == "softer" else 1.0 + size
    part, other = ("rear", "front") if match["part"] == "rear" else ("front", "rear")
    goals = (
        Goal(f"stiffness {part}", "ratio", wanted, min(RATIO_TOLERANCE, size / 3.0)),  # type: ignore[arg-type]
        Goal(f"stiffness {other}", "ratio", 1.0, RATIO_TOLERANCE),  # type: ignore[arg-type]
    )
    base = match["base"]
    return Wish(words, goals, base=base, assumptions=(f"the {other} axle shall be as on {base}",))


def _gradient(words: str, match: re.Match[str]) -> Wish:
    part = match["part"] or "total"
    if part == "roll":
        part = "total"
    value = _float(match["value"])
    if not 0.05 < value < 20.0:
        raise AnalyzerError(
            f'the wish "{words}" asks for {value:g} deg/g; name a gradient of 0.05 to 20 deg/g'
        )
    goal = Goal(f"gradient {part}", "value", value, GRADIENT_TOLERANCE)  # type: ignore[arg-type]
    return Wish(words, (goal,))


def _share(words: str, match: re.Match[str]) -> Wish:
    value = _float(match["value"])
    value = value / 100.0 if match["percent"] or value > 1.0 else value
    if not 0.1 < value < 0.9:
        raise AnalyzerError(f'the wish "{words}" asks for a share of {value:.0%}; name one from 10 to 90 %')
    return Wish(words, (Goal("front share", "value", value, BALANCE_TOLERANCE),))


def _margin(words: str, match: re.Match[str]) -> Wish:
    return Wish(words, (Goal("margin", "at least", _float(match["value"]), MARGIN_TOLERANCE),))


def _no_bar(words: str, match: re.Match[str]) -> Wish:
    axle: Axle = "front" if match["axle"] == "front" else "rear"
    return Wish(
        words,
        (Goal("stiffness total", "ratio", 1.0, RATIO_TOLERANCE),),
        bar_off=axle,
        assumptions=("the car shall roll as much as before; springs or the other bar make up for it",),
    )


def _float(text: str) -> float:
    return float(text.replace(",", "."))


_FORMS: Final[tuple[tuple[re.Pattern[str], Callable[[str, re.Match[str]], Wish]], ...]] = tuple(
    (re.compile(form), build)
    for form, build in (
        (rf"(?P<part>front|rear|car) (?P<size>{_NUMBER}) ?(?:%|percent) (?P<way>softer|stiffer)", _step),
        (
            rf"(?:as|like) (?P<base>.+?),? but (?P<size>{_NUMBER}) ?(?:%|percent) (?P<way>softer|stiffer) "
            r"(?:at the |at |in the )?(?P<part>front|rear)",
            _as_other,
        ),
        (rf"(?:(?P<part>front|rear|roll) )?gradient (?P<value>{_NUMBER})(?: ?deg/g)?", _gradient),
        (rf"front share (?P<value>{_NUMBER}) ?(?P<percent>%)?", _share),
        (rf"margin (?P<value>{_NUMBER})(?: ?mm)?", _margin),
        (r"(?:no|without|remove the) (?P<axle>front|rear) bar(?: and keep roll stiffness)?", _no_bar),
    )
)
