"""What the tuner wants from the next setting: goals in figures and settings, out of plain words."""

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from analyzer.comparison.results import Assumption, AxleAsOn
from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.units import AXLES, Axle

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

Kind = Literal["value", "ratio", "shift", "at least", "at most", "least", "most"]

Kept = Literal["springs", "parts", "bars"]

COMMON_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Goal:
    """One figure that is wanted.

    Parameters
    ----------
    quantity : str
        Which.
    kind : str
        ``value``: absolute (gradient [deg/g], share [1], margin [mm]); ``ratio`` to the present set-up;
        ``shift`` from it; ``at least``, ``at most``: limits; ``least``, ``most``: as little or as much as the
        rest of the wish allows.
    wanted : float
        The figure; 0 for ``least`` and ``most``.
    tolerance : float
        Distance that still counts as met, in the same unit (of a ratio, ``least`` and ``most`` in parts of
        the present figure).
    """

    quantity: Quantity
    kind: Kind
    wanted: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class Move:
    """Hole and spacers that are wanted of one bar.

    Parameters
    ----------
    axle : Axle
        Whose bar.
    hole, spacers : int or None
        Which, or how many more than now; None for as they are. Hole -1 is the innermost one.
    relative : bool
        Whether both count from the present setting.
    """

    axle: Axle
    hole: int | None = None
    spacers: int | None = None
    relative: bool = False


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted.

    Parameters
    ----------
    words : str
        As the tuner put it.
    goals : tuple of Goal
        All of them.
    moves : tuple of Move
        Settings asked for by hole or spacers.
    bars_off, bars_on : tuple of Axle
        Axles whose bar must be off; whose bar must be hooked up.
    or_off : Axle or None
        Axle whose bar off counts as meeting the goals on its stiffness, too, and is offered.
    only : Axle or None
        Axle that alone may be changed; None for both.
    kept : tuple of Kept
        What may not be changed: springs, tubes and blades (``parts``), settings of the bars.
    base : str or None
        Set-up of the session that ratios count from; None for what is on the car now.
    assumptions : tuple of Assumption
        What is taken for granted.
    """

    words: str
    goals: tuple[Goal, ...]
    moves: tuple[Move, ...] = ()
    bars_off: tuple[Axle, ...] = ()
    bars_on: tuple[Axle, ...] = ()
    or_off: Axle | None = None
    only: Axle | None = None
    kept: tuple[Kept, ...] = ()
    base: str | None = None
    assumptions: tuple[Assumption, ...] = ()


RATIO_TOLERANCE: Final = 0.02
"""Near enough to a step; a third of the step where that is less."""
BALANCE_TOLERANCE: Final = 0.005
"""Half a point of the front share."""
GRADIENT_TOLERANCE: Final = 0.03
MARGIN_TOLERANCE: Final = 0.5
EXTREME_TOLERANCE: Final = 0.005

STEPS: Final = {"small": 0.03, "usual": 0.05, "large": 0.10}
"""Steps of stiffness and roll where the wish names no number (engineering judgement)."""

BALANCE_STEPS: Final = {"small": 0.010, "usual": 0.015, "large": 0.025}
"""Shifts of the front share where the wish names no number (engineering judgement); a hole of a bar makes
about one point."""

PRESETS: Final[dict[str, Wish]] = {
    "small tight course": Wish(
        "small tight course: let the rear roll more, so that the car turns in easily",
        (Goal("stiffness rear", "ratio", 0.85, 0.05), Goal("stiffness front", "ratio", 1.0, RATIO_TOLERANCE)),
        or_off="rear",
        assumptions=(
            f"rear bar soft or off on small tight courses, front bar stiff ({COMMON_PRACTICE})",
            "a step of 15 % of the rear roll stiffness to begin with (engineering judgement)",
        ),
    ),
    "fast course": Wish(
        "fast course: less roll of the whole car, balance as it is",
        (Goal("stiffness total", "ratio", 1.07, 0.03), Goal("front share", "shift", 0.0, BALANCE_TOLERANCE)),
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
    "rear 5 % softer",
    "front softer by 5 percent",
    "front 10 % stiffer",
    "car 5 % softer",
    "a bit less rear bar",
    "rear 5 % softer and front 5 % stiffer",
    "both ends 5 % softer, springs unchanged",
    "rear one hole stiffer",
    "front one hole softer, rear one hole stiffer",
    "rear two spacers more",
    "front hole 3, 2 spacers",
    "as soft as possible at the rear",
    "10 % less roll",
    "rear 10 % less roll",
    "keep the balance but 10 % less roll",
    "roll gradient 2.0 deg/g",
    "no more than 2.0 deg/g of roll",
    "front share 62 %",
    "balance 1 point to the rear",
    "less understeer",
    "less oversteer",
    "more grip at the rear",
    "margin 5 mm",
    "rear bar off",
    "no rear bar",
    "rear bar off for a small tight course",
    "as A but 5 % softer at the rear",
    *PRESETS,
)
"""Sentences of every form that is understood."""

LONGEST: Final = 300
"""Signs of a wish; a longer text is none."""


def parse_wish(text: str) -> Wish:
    """Read a wish in a tuner's words; docs/verdicts.md lists what is understood.

    Every word counts: a sentence with one that is not known is refused, so that no part of a wish is lost.

    Raises
    ------
    AnalyzerError
        One line with the three nearest sentences that would be understood.
    """
    plain = " ".join(text.lower().split())
    if plain in PRESETS:
        return PRESETS[plain]
    if 0 < len(plain) <= LONGEST:
        draft = _read(plain)
        if draft is not None:
            return _wish(plain, draft)
        match = _AS_OTHER.fullmatch(plain)
        if match is not None:
            draft = _read(match["rest"])
            if draft is not None:
                return _from_other(plain, match["base"], _wish(plain, draft))
    shown = one_line(text, 60)
    raise AnalyzerError(
        f'the wish "{shown}" is not understood{_strange_words(plain)}; the nearest sentences that are: '
        + ", ".join(f'"{sentence}"' for sentence in nearest_sentences(plain))
    )


def nearest_sentences(text: str, most: int = 3) -> tuple[str, ...]:
    """Return the sentences of `EXAMPLES` most like a wish: by what they speak of, then by their letters."""
    spoken = {token for token in _tokens(text[:LONGEST]) if token[0] not in ("number", "strange")}

    def likeness(sentence: str) -> float:
        known = {token for token in _tokens(sentence) if token[0] not in ("number", "strange")}
        common = len(spoken & known) / max(len(spoken | known), 1)
        return common + difflib.SequenceMatcher(None, text[:LONGEST], sentence, autojunk=False).ratio()

    return tuple(sorted(EXAMPLES, key=lambda sentence: -likeness(sentence))[:most])


def _strange_words(text: str) -> str:
    strange = [str(word) for slot, word in _tokens(text[:LONGEST]) if slot == "strange"]
    if not strange:
        return ""
    return " (not known: " + one_line(", ".join(dict.fromkeys(strange)), 60) + ")"


# Words: each phrase fills slots of the clause it stands in.


Token = tuple[str, Any]

# DOTALL: else a line break behind many "but" makes each of them be tried to the end of its line.
_AS_OTHER: Final = re.compile(r"(?:as|like) (?P<base>.+?),? but (?P<rest>.+)", re.DOTALL)

_PHRASES: Final[dict[str, dict[Any, str]]] = {
    "part": {
        "front": "front, front end, front axle, nose",
        "rear": "rear, rear end, rear axle, back, back end, tail",
        "both": "both, both ends, both axles, front and rear, rear and front, front & rear, "
        "all round, all around",
        "total": "car, whole car, overall, chassis, total",
    },
    "way": {
        "softer": "softer, soften, softening, soft, weaker, outwards, outward, out, further out",
        "stiffer": "stiffer, stiffen, stiffening, stiff, harder, hard, firmer, stronger, inwards, "
        "inward, further in",
        "less": "less, out of, reduce, reduced, drop, cut, lower, decrease, fewer, down, lose, minus",
        "more": "more, increase, raise, add, extra, additional, up, gain, another, higher",
        "better": "better, sharper, quicker",
    },
    "off": {
        "off": "off, unhook, unhooked, disconnect, disconnected, unbolt, unbolted, unplug, detach, detached",
        "gone": "no, without, remove, removed, delete, run without",
    },
    "keep": {
        True: "keep, keeps, keeping, same, the same, leave, leaving, hold, unchanged, alone, "
        "untouched, stays, stay, "
        "remains, constant, as is, as it is, as they are, as before, where it is, where they are",
    },
    "keep anew": {
        True: "without changing, without touching, without moving, without upsetting, without losing, "
        "do not touch, don't touch, do not change, don't change, not touching, not changing",
    },
    "only": {True: "only, just, nothing but"},
    "thing": {
        "roll": "roll, rolls, rolling, body roll, lean, leans, leaning, roll gradient, gradient, roll angle",
        "stiffness": "stiffness, roll stiffness",
        "balance": "balance, share, load share, front share of the load transfer, load transfer, "
        "weight transfer",
        "margin": "margin, travel margin, bump stop, bump stops, bumpstop, bumpstops, stops, "
        "travel, damper travel, "
        "clearance, room",
        "bar": "bar, bars, anti roll bar, anti roll bars, antiroll bar, arb, arbs, sway bar, "
        "sway bars, swaybar, "
        "stabiliser, stabilizer, roll bar",
        "springs": "spring, springs",
        "parts": "tube, tubes, blade, blades",
    },
    "unit": {
        "%": "%, percent, per cent, pct",
        "point": "point, points, pt, pts, percentage point, percentage points, % points, percent points",
        "deg/g": "deg/g, °/g, degrees per g, deg per g, degree per g, degrees/g",
        "mm": "mm, millimetre, millimetres, millimeter, millimeters",
        "hole": "hole, holes, hole number, hole no",
        "spacer": "spacer, spacers, washer, washers, shim, shims",
    },
    "size": {
        "small": "bit, a bit, slightly, a little, little, touch, a touch, tad, a tad, smidge, "
        "fraction, small step",
        "large": "much, a lot, lot, lots, considerably, clearly, far, significantly, big step",
    },
    "too": {True: "too, too much, too far"},
    "limit": {
        "at most": "at most, no more than, not more than, max, maximum, under, below, less than, not over",
        "at least": "at least, no less than, not less than, min, minimum, more than, above, over",
    },
    "handling": {
        "under": "understeer, understeers, understeering, push, pushes, pushing, ploughs, plows, washes",
        "over": "oversteer, oversteers, oversteering, loose, snaps, snappy, twitchy, nervous, spins",
        "turn": "turn in, turns in, turning in, rotation, rotate, rotates, pointy",
        "grip": "grip, grips, bite, traction",
    },
    "phase": {
        True: "entry, corner entry, mid corner, middle, apex, exit, corner exit, transition, transitions"
    },
    "extreme": {
        "outer": "outer, outermost",
        "inner": "inner, innermost",
        "softest": "softest, as soft as possible, full soft, fully soft, as soft as it goes",
        "stiffest": "stiffest, as stiff as possible, full stiff, fully stiff, as stiff as it goes, "
        "as hard as possible",
        "least": "least, flattest, as flat as possible, as little roll as possible, as little as possible",
    },
    "course": {
        "small tight course": "small tight course, small and tight course, tight course, "
        "small course, tight and small "
        "course, tight small course, twisty course, tight twisty course, slow course",
        "fast course": "fast course, quick course, high speed course, fast open course, open course",
        "banked course": "banked course, bank, banks, banking, the bank",
    },
    "break": {True: "|, and, but, while, whilst, then, plus, yet, with, &, +"},
}
_FILLERS: Final = (
    "please, i, we, want, wants, would, like, need, needs, make, makes, made, let, allow, us, the, "
    "that, this, a, an, "
    "it, its, is, are, be, by, at, in, on, of, to, for, from, set, go, going, get, put, take, give, "
    "gives, try, should, "
    "must, about, around, roughly, some, have, has, having, do, me, my, end, ends, axle, each, per, "
    "side, now, next, "
    "step, steps, setting, settings, left, free, before, corners, corner, corners, turns, there, "
    "so, run, running, "
    "move, moved, shift, goes, going, wheel, everything, else, bring, change, use, ride, value, "
    "i'd, i'm, it's, "
    "towards, still, bit of, sit, sits, feel, feels, drive, when, through, any, as well, too if"
)
_NUMBERS: Final = {
    word: number
    for number, words in enumerate(
        ("zero", "one single", "two couple", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    )
    for word in words.split()
}
_ORDINALS: Final = {"first": 1, "second": 2, "third": 3, "fourth": 4, "1st": 1, "2nd": 2, "3rd": 3, "4th": 4}
_TWO_IN_ONE: Final[dict[str, tuple[Token, ...]]] = {
    "flatter": (("way", "less"), ("thing", "roll")),
    "hole in": (("unit", "hole"), ("way", "stiffer")),
    "holes in": (("unit", "hole"), ("way", "stiffer")),
    "flattest": (("extreme", "least"), ("thing", "roll")),
    "as flat as possible": (("extreme", "least"), ("thing", "roll")),
    "as little roll as possible": (("extreme", "least"), ("thing", "roll")),
}


def _vocabulary() -> dict[str, tuple[Token, ...]]:
    found: dict[str, tuple[Token, ...]] = dict.fromkeys(_FILLERS.split(", "), ())
    for slot, values in _PHRASES.items():
        for value, phrases in values.items():
            found |= dict.fromkeys(phrases.split(", "), ((slot, value),))
    # The track is called so, too.
    for phrase in [p for p in found if p.endswith(" course")]:
        found |= {phrase.replace("course", other): found[phrase] for other in ("track", "circuit", "layout")}
    return found | _TWO_IN_ONE


_WORDS: Final = _vocabulary()
_MOST_WORDS: Final = max(phrase.count(" ") + 1 for phrase in _WORDS)
_DECIMAL_COMMA: Final = re.compile(r"(?<=\d),(?=\d)")
_BREAKS: Final = re.compile(r"[,;:]|\.(?!\d)|[!?]")
_UNIT_AFTER: Final = re.compile(r"(?<=\d)(?=%|mm\b|deg|°)")
_PLAIN_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?")


def _tokens(text: str) -> list[Token]:
    """Return the slots that the words of a text fill, in order; the longest phrase at each place counts."""
    text = _BREAKS.sub(" | ", _DECIMAL_COMMA.sub(".", text.lower()))
    words = _UNIT_AFTER.sub(" ", text.replace("-", " ").replace("#", " ")).split()
    found: list[Token] = []
    place = 0
    while place < len(words):
        for count in range(min(_MOST_WORDS, len(words) - place), 0, -1):
            phrase = " ".join(words[place : place + count])
            if phrase in _WORDS:
                found += _WORDS[phrase]
                break
        else:
            count, word = 1, words[place]
            if word in _NUMBERS:
                found.append(("number", float(_NUMBERS[word])))
            elif word in _ORDINALS:
                found.append(("ordinal", _ORDINALS[word]))
            elif _PLAIN_NUMBER.fullmatch(word):
                found.append(("number", float(word)))
            else:
                found.append(("strange", word))
        place += count
    return found


# Clauses: a sentence falls apart where a word breaks it, or where a slot would be filled a second time.


Slots = dict[str, Any]


def _clauses(tokens: list[Token]) -> Iterator[Slots]:
    """Yield the clauses of a sentence; numbers stand under the unit they come with."""
    clause = _Clause()
    for slot, value in tokens:
        # Whatever does not fit into the clause any more begins the next one; a course stands for itself.
        if slot in ("break", "course", "keep anew") or clause.clashes(slot, value):
            yield from clause.end()
            clause = _Clause()
        if slot == "course":
            yield {"course": value}
        elif slot != "break":
            clause.add("keep" if slot == "keep anew" else slot, value)
    yield from clause.end()


@dataclass
class _Clause:
    """A clause while its words come in."""

    slots: Slots = field(default_factory=dict)
    waiting: float | None = None
    """A number whose unit is still to come."""
    bare: str | None = None
    """A unit whose number may still come, as in "hole 3"."""

    def clashes(self, slot: str, value: Any) -> bool:
        """Whether a word would fill a slot that is filled already with something else."""
        if slot == "number":
            return self.waiting is not None and self.bare is None
        if slot == "unit":
            return value in self.slots and self.slots[value][0] == "count"
        return slot in self.slots and self.slots[slot] != value

    def add(self, slot: str, value: Any) -> None:
        """Fill the slot of one word."""
        if slot == "number" and self.bare is not None:
            self.slots[self.bare], self.bare = ("at", value), None
        elif slot == "number":
            self.waiting = value
        elif slot == "ordinal":
            self.slots["hole"] = ("at", float(value))
        elif slot != "unit":
            self.slots[slot] = value
        elif value not in self.slots:  # of "the third hole" the number is known
            self.slots[value] = ("count", self.waiting)
            self.bare = value if self.waiting is None and value in ("hole", "spacer") else None
            self.waiting = None

    def end(self) -> Iterator[Slots]:
        """Yield the clause unless it is empty."""
        if self.waiting is not None:
            self.slots["number"] = self.waiting
        if self.slots:
            yield self.slots


def _joined(clauses: list[Slots]) -> list[Slots]:
    """Return clauses with fragments made whole: a lonely "front" does as its neighbour does."""
    whole: list[Slots] = []
    lonely: list[Slots] = []
    for clause in clauses:
        if set(clause) == {"part"}:
            # "softer at front and rear": as the clause before; "front, rear softer": as the one behind.
            if whole and "part" in whole[-1] and not _is_setting(whole[-1]):
                whole.append({**whole[-1], **clause})
            else:
                lonely.append(clause)
            continue
        if whole and "part" not in clause and not set(clause) & set(whole[-1]) and _is_amount(clause):
            whole[-1] |= clause
            continue
        whole += [{**clause, **one} for one in lonely]
        lonely = []
        whole.append(clause)
    return whole + lonely


def _is_amount(clause: Slots) -> bool:
    return set(clause) <= {"%", "point", "mm", "deg/g", "hole", "spacer", "size"}


def _is_setting(clause: Slots) -> bool:
    return "keep" in clause or "only" in clause


# Meaning: what the clauses together ask for.


@dataclass
class _Draft:
    """What the clauses of a sentence have asked for so far."""

    goals: list[Goal] = field(default_factory=list)
    moves: dict[Axle, Move] = field(default_factory=dict)
    off: list[Axle] = field(default_factory=list)
    hooked: list[Axle] = field(default_factory=list)
    gone: bool = False
    steps: set[Axle] = field(default_factory=set)
    left: set[Axle] = field(default_factory=set)
    only: Axle | None = None
    kept: set[Kept] = field(default_factory=set)
    courses: list[str] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    last: Slots = field(default_factory=dict)


def _read(text: str) -> _Draft | None:
    """Return what a sentence asks for; None when a part of it is not understood."""
    tokens = _tokens(text)
    if any(slot == "strange" for slot, _ in tokens):
        return None
    draft = _Draft()
    clauses = _joined(list(_clauses(tokens)))
    for clause in clauses:
        if not _take(draft, clause):
            return None
        if "part" in clause:
            draft.last = clause
    asked = draft.goals or draft.moves or draft.off or draft.courses
    return draft if asked else None


def _take(draft: _Draft, clause: Slots) -> bool:
    """Add what one clause asks for to the draft; False when it makes no sense."""
    if clause.pop("phase", None):
        draft.assumptions.append(
            "entry, middle and exit of a corner are not told apart: a bar acts in all of them"
        )
    if any(clause.get(unit, ("", 0.0))[1] is None for unit in ("%", "point", "mm", "deg/g")):
        return False
    if "course" in clause:
        if set(clause) != {"course"} or set(draft.courses) - {clause["course"]}:
            return False
        draft.courses = [clause["course"]]
        return True
    # "take 5 % off the rear bar" takes no bar off.
    if clause.get("off") == "off" and {"%", "point", "spacer"} & set(clause):
        del clause["off"]
        clause["way"] = "less"
    if clause.get("off") == "gone" and "spacer" in clause:
        del clause["off"]
        clause["spacer"] = ("at", 0.0)
    for reader in (_off, _setting, _limit, _handling, _balance, _roll, _extreme, _step, _keep):
        answer = reader(draft, clause)
        if answer is not None:
            return answer
    return False


def _axles(draft: _Draft, clause: Slots, inherit: bool = True) -> tuple[Axle, ...]:
    """Return the axles a clause speaks of, else those of the clause before; none for the whole car."""
    part = clause.get("part") or (draft.last.get("part") if inherit else None)
    if part == "both":
        return AXLES
    return (part,) if part in AXLES else ()


def _holds(clause: Slots, needed: str, allowed: str) -> bool:
    """Whether a clause has all slots `needed` and none but those and the `allowed`."""
    must = set(needed.split())
    return must <= set(clause) <= must | set(allowed.split())


def _off(draft: _Draft, clause: Slots) -> bool | None:
    if "off" not in clause:
        return None
    axles = _axles(draft, clause)
    if not _holds(clause, "off", "part thing only") or clause.get("thing", "bar") != "bar" or not axles:
        return False
    if clause["off"] == "gone" and "thing" not in clause:
        return False
    draft.off += axles
    draft.gone |= clause["off"] == "gone"
    return True


def _setting(draft: _Draft, clause: Slots) -> bool | None:
    """Read holes and spacers, as such or counted from the present ones."""
    if "hole" not in clause and "spacer" not in clause:
        return None
    axles = _axles(draft, clause)
    known = {"hole", "spacer", "part", "thing", "way", "only", "extreme"}
    if not axles or not set(clause) <= known or clause.get("thing", "bar") != "bar":
        return False
    numbers = [clause[unit][1] for unit in ("hole", "spacer") if unit in clause]
    if any(number is not None and number != int(number) for number in numbers):
        return False
    move = _counted(clause) if clause.get("way") else _named_setting(clause)
    if move is None:
        return False
    for axle in axles:
        before = draft.moves.get(axle)
        if before is None:
            draft.moves[axle] = replace(move, axle=axle)
        # "hole 3 with 2 spacers", "one hole softer and a spacer more" come in two clauses.
        elif before.relative is move.relative and before.hole is not None and move.hole is None:
            draft.moves[axle] = replace(before, spacers=move.spacers)
        else:
            return False
    return True


def _counted(clause: Slots) -> Move | None:
    """Return holes or spacers counted from the present setting, of no axle yet."""
    way = clause["way"]
    if "extreme" in clause or ("hole" in clause) == ("spacer" in clause):
        return None
    kind, number = clause["hole" if "hole" in clause else "spacer"]
    if "hole" in clause:
        # Hole 1 is the outermost, the softest. "softer, to hole 1" names the hole.
        if way not in ("softer", "stiffer"):
            return None
        if kind == "at":
            return Move("front", hole=int(number))
        return Move("front", hole=int(number or 1) * (1 if way == "stiffer" else -1), relative=True)
    if way not in ("more", "less"):
        return None
    return Move("front", spacers=int(number or 1) * (1 if way == "more" else -1), relative=True)


def _named_setting(clause: Slots) -> Move | None:
    """Return hole and spacers that are named, of no axle yet."""
    spacers = None
    if "spacer" in clause:
        if clause["spacer"][1] is None:
            return None
        spacers = int(clause["spacer"][1])
    if "extreme" in clause:
        ends = {"softest": 1, "outer": 1, "stiffest": -1, "inner": -1}
        if clause.get("hole", ("", 0))[1] is not None or clause["extreme"] not in ends:
            return None
        return Move("front", hole=ends[clause["extreme"]], spacers=spacers)
    if "hole" not in clause:
        return Move("front", spacers=spacers)
    kind, number = clause["hole"]
    return Move("front", hole=int(number), spacers=spacers) if kind == "at" else None


def _limit(draft: _Draft, clause: Slots) -> bool | None:
    """Read absolute figures: a gradient, a margin, a share, with or without a limit."""
    if "deg/g" in clause:
        if not _holds(clause, "deg/g", "part thing limit") or clause.get("thing", "roll") != "roll":
            return False
        return _gradient(draft, clause, clause["deg/g"][1])
    if clause.get("thing") == "roll" and "number" in clause:
        return _holds(clause, "thing number", "part limit") and _gradient(draft, clause, clause["number"])
    if clause.get("thing") == "margin":
        value = clause["mm"][1] if "mm" in clause else clause.get("number")
        allowed = "number mm limit keep way only"
        if value is None or not _holds(clause, "thing", allowed) or clause.get("limit") == "at most":
            return False
        if clause.get("way") not in (None, "more"):
            return False
        draft.goals.append(Goal("margin", "at least", value, MARGIN_TOLERANCE))
        return True
    if clause.get("thing") == "balance" and clause.get("part") in (None, "front") and "way" not in clause:
        value = clause["%"][1] if "%" in clause else clause.get("number")
        value = None if value is None else (value if value < 1.0 else value / 100.0)
        # A few percent are a shift, not a share.
        if value is None or (value < 0.1 and "part" not in clause) or "keep" in clause:
            return None
        if not _holds(clause, "thing", "part % number limit"):
            return False
        if not 0.1 < value < 0.9:
            raise AnalyzerError(f"the wish asks for a share of {value:.0%}; name one from 10 to 90 %")
        kind: Kind = clause.get("limit", "value")
        draft.goals.append(Goal("front share", kind, value, BALANCE_TOLERANCE))
        return True
    return None


def _gradient(draft: _Draft, clause: Slots, value: float | None) -> bool:
    if value is None:
        return False
    if not 0.05 < value < 20.0:
        raise AnalyzerError(f"the wish asks for {value:g} deg/g; name a gradient of 0.05 to 20 deg/g")
    for part in _parts(clause):
        draft.goals.append(
            Goal(_named("gradient", part), clause.get("limit", "value"), value, GRADIENT_TOLERANCE)
        )
    return True


def _parts(clause: Slots) -> tuple[str, ...]:
    part = clause.get("part", "total")
    return AXLES if part == "both" else (part,)


def _named(what: str, part: str) -> Quantity:
    return f"{what} {part}"  # type: ignore[return-value]


def _handling(draft: _Draft, clause: Slots) -> bool | None:
    """Read what the car does: a shift of the load transfer is the common cure."""
    kind = clause.get("handling")
    if kind is None:
        return None
    if not _holds(clause, "handling", "part way size too point"):
        return False
    way, part = clause.get("way"), clause.get("part")
    if kind == "grip":
        if part not in AXLES or way not in ("more", "better") or "too" in clause:
            return False
        # The axle that takes less of the load transfer grips more.
        sign = 1.0 if part == "rear" else -1.0
    else:
        # A car that "understeers" shall do less of it; one that shall turn in takes load off the front.
        sign = {"under": -1.0, "over": 1.0, "turn": -1.0}[kind]
        if way == "more" and "too" not in clause and kind != "turn":
            sign = -sign
        elif way not in (None, "less", "more") and kind != "turn":
            return False
        if kind == "turn" and (way not in ("more", "better") or "too" in clause):
            return False
    points = clause["point"][1] / 100.0 if "point" in clause and clause["point"][1] else None
    size = BALANCE_STEPS[clause.get("size", "usual")] if points is None else points
    draft.goals.append(Goal("front share", "shift", sign * size, BALANCE_TOLERANCE))
    end = "front" if sign > 0.0 else "rear"
    draft.assumptions.append(
        f"the {end} is to take {100.0 * size:g} points more of the load transfer "
        f"({COMMON_PRACTICE}; the size is engineering judgement)"
    )
    return True


def _balance(draft: _Draft, clause: Slots) -> bool | None:
    """Read a shift of the front share by points, or to an end."""
    named = clause.get("thing") == "balance"
    if "keep" in clause or not (named or ("point" in clause and "thing" not in clause)):
        return None
    part, way = clause.get("part"), clause.get("way")
    if not _holds(clause, "", "thing part way size point % number") or part not in AXLES:
        return False
    if way not in (None, "more", "less"):
        return False
    number = next((clause[unit][1] for unit in ("point", "%") if unit in clause), clause.get("number"))
    if number is None and way is None and "size" not in clause and "thing" in clause and "part" not in clause:
        return False
    size = BALANCE_STEPS[clause.get("size", "usual")] if number is None else number / 100.0
    if not 0.0 < size < 0.3:
        raise AnalyzerError(f"the wish moves the balance by {100.0 * size:g} points; name 1 to 30")
    sign = (1.0 if part == "front" else -1.0) * (-1.0 if way == "less" else 1.0)
    draft.goals.append(Goal("front share", "shift", sign * size, BALANCE_TOLERANCE))
    draft.assumptions.append("balance: the front share of the load transfer, in points of 1 %")
    return True


def _roll(draft: _Draft, clause: Slots) -> bool | None:
    """Read less or more roll."""
    if clause.get("thing") != "roll" or "keep" in clause or "extreme" in clause:
        return None
    way = "less" if "too" in clause else clause.get("way")
    if not _holds(clause, "thing", "part way size % too") or way not in ("less", "more"):
        return False
    size, tolerance = _size(draft, clause)
    for part in _parts(clause):
        wanted = 1.0 - size if way == "less" else 1.0 + size
        draft.goals.append(Goal(_named("gradient", part), "ratio", wanted, tolerance))
    return True


def _size(draft: _Draft, clause: Slots) -> tuple[float, float]:
    """Return the step a clause asks for, and its tolerance."""
    number = clause["%"][1] if "%" in clause else None
    if number is None:
        size = STEPS[clause.get("size", "usual")]
        draft.assumptions.append(f"a step of {size:.0%} to begin with (engineering judgement)")
    else:
        size = number / 100.0
    if not 0.0 < size < 0.9:
        raise AnalyzerError(f"the wish asks for a step of {size:.0%}; name one between 0 and 90 %")
    return size, min(RATIO_TOLERANCE, size / 3.0)


def _extreme(draft: _Draft, clause: Slots) -> bool | None:
    """Read "as soft as possible" and the like."""
    if "extreme" not in clause:
        return None
    if not _holds(clause, "extreme", "part thing only"):
        return False
    if clause["extreme"] in ("outer", "inner"):
        return False
    kind: Kind = "most" if clause["extreme"] == "stiffest" else "least"
    if clause["extreme"] == "least":
        if clause.get("thing") != "roll":
            return False
        what, parts = "gradient", _parts(clause)
    else:
        if clause.get("thing", "bar") not in ("bar", "stiffness"):
            return False
        what, parts = "stiffness", _axles(draft, clause) or ("total",)
    for part in parts:
        draft.goals.append(Goal(_named(what, part), kind, 0.0, EXTREME_TOLERANCE))
    if what == "stiffness":
        draft.steps |= {axle for axle in AXLES if axle in parts}
    if clause.get("thing") == "bar":
        # The softest setting of a bar is one in which it works.
        draft.kept.add("springs")
        draft.hooked += [axle for axle in AXLES if axle in parts]
    return True


def _step(draft: _Draft, clause: Slots) -> bool | None:
    """Read softer and stiffer."""
    way, thing = clause.get("way"), clause.get("thing")
    if way is None or "keep" in clause or thing not in (None, "bar", "stiffness"):
        return None
    if not _holds(clause, "way", "part thing size % too only"):
        return False
    # "Less" alone does not say of what, and "better" not which way.
    if way == "better" or (way in ("less", "more") and thing is None):
        return False
    softer = way in ("softer", "less")
    # What is too soft shall become stiffer.
    if "too" in clause:
        softer = not softer
    size, tolerance = _size(draft, clause)
    axles = () if clause.get("part") == "total" else _axles(draft, clause)
    wanted = 1.0 - size if softer else 1.0 + size
    for part in axles or ("total",):
        draft.goals.append(Goal(_named("stiffness", part), "ratio", wanted, tolerance))
    draft.steps |= set(axles)
    # A car that is stiffer as a whole keeps its balance, or one axle alone could meet the wish.
    if not axles:
        draft.goals.append(Goal("front share", "shift", 0.0, BALANCE_TOLERANCE))
        draft.assumptions.append("the balance stays as it is")
    if thing == "bar":
        draft.kept.add("springs")
        draft.assumptions.append("percent are of the axle's roll stiffness, springs and bar together")
    return True


def _keep(draft: _Draft, clause: Slots) -> bool | None:
    """Read what shall stay as it is, and what alone may be changed."""
    if "keep" in clause and set(clause) <= {"keep", "part", "thing"}:
        return _kept(draft, clause, clause.get("thing"), clause.get("part"))
    if "only" in clause and set(clause) <= {"only", "part", "thing"}:
        thing, part = clause.get("thing"), clause.get("part")
        if thing not in (None, "springs", "bar") or (thing is None and part not in AXLES):
            return False
        draft.kept |= {"springs": _ALL_BUT_SPRINGS, "bar": _ALL_BUT_BARS}.get(thing or "", set())
        draft.only = part if part in AXLES else None
        return True
    return None


_ALL_BUT_SPRINGS: Final[set[Kept]] = {"bars", "parts"}
_ALL_BUT_BARS: Final[set[Kept]] = {"springs"}


def _kept(draft: _Draft, clause: Slots, thing: str | None, part: str | None) -> bool:
    if thing == "balance":
        draft.goals.append(Goal("front share", "shift", 0.0, BALANCE_TOLERANCE))
    elif thing in ("roll", "stiffness"):
        what = "gradient" if thing == "roll" else "stiffness"
        draft.goals += [Goal(_named(what, p), "ratio", 1.0, RATIO_TOLERANCE) for p in _parts(clause)]
    elif thing == "springs":
        draft.kept.add("springs")
    elif thing == "parts":
        draft.kept.add("parts")
    elif part in AXLES and thing in (None, "bar"):
        draft.left.add(part)
    elif thing == "bar":
        draft.kept |= _ALL_BUT_SPRINGS
    else:
        # "the rest unchanged" says what is so anyhow.
        return part is None and thing is None
    return True


def _wish(words: str, draft: _Draft) -> Wish:
    """Return the wish of a whole sentence."""
    named = {*draft.steps, *draft.moves, *draft.off}
    goals, assumptions = list(dict.fromkeys(draft.goals)), list(draft.assumptions)
    or_off = None
    for course in draft.courses:
        preset = PRESETS[course]
        # What the sentence says of an axle counts before what is usual on such a course.
        goals += [goal for goal in preset.goals if goal.quantity.removeprefix("stiffness ") not in named]
        or_off = None if preset.or_off in named else preset.or_off
        assumptions += preset.assumptions[: 1 if named else None]
    # "Front softer" speaks of one axle, "less understeer" of both: only the first leaves the other alone.
    apart = all(goal.quantity in ("stiffness front", "stiffness rear") for goal in draft.goals)
    # A part taken away, and nothing said of how the car should be: then as it was.
    if draft.gone and not goals:
        goals = [Goal("stiffness total", "ratio", 1.0, RATIO_TOLERANCE)]
        assumptions.append("the car shall roll as much as before; springs or the other bar make up for it")
    elif (draft.moves or draft.off) and apart:
        draft.kept |= {"springs", "parts"}
    only = draft.only
    if draft.left:
        only = next((axle for axle in AXLES if axle not in draft.left), None)
    elif only is None and len(named) == 1 and apart and not draft.gone and not draft.courses:
        only = next(iter(named))
    # Last, when all that the sentence implies is on the table.
    _refuse_contradiction(words, draft, goals, only, named)
    return Wish(
        words,
        tuple(goals),
        moves=tuple(draft.moves.values()),
        bars_off=tuple(dict.fromkeys(draft.off)),
        bars_on=tuple(draft.hooked),
        or_off=or_off,
        only=only,
        kept=tuple(sorted(draft.kept)),
        assumptions=tuple(dict.fromkeys(assumptions)),
    )


def _refuse_contradiction(
    words: str, draft: _Draft, goals: list[Goal], only: Axle | None, named: set[Axle]
) -> None:
    shown = one_line(words, 60)
    goals = list(dict.fromkeys(goals))
    quantities = [goal.quantity for goal in goals]
    twice = next((q for q in quantities if quantities.count(q) > 1), None)
    if twice is not None or set(draft.moves) & set(draft.off):
        raise AnalyzerError(
            f'the wish "{shown}" asks for {twice or "one bar"} twice; ask for each thing once'
        )
    if only is not None and named - {only}:
        other = ", ".join(sorted(named - {only}))
        raise AnalyzerError(f'the wish "{shown}" changes the {other} and leaves it alone; say one of the two')


def _from_other(words: str, base: str, wish: Wish) -> Wish:
    """Return a wish whose steps count from another set-up; the axle it does not name stays as on that one."""
    goals = wish.goals
    if not goals or wish.moves or wish.bars_off or any(g.quantity not in _STEP_OF.values() for g in goals):
        raise AnalyzerError(
            f'the wish "{one_line(words, 60)}" starts from another set-up; go on with a step, for instance '
            '"as A but 5 % softer at the rear"'
        )
    named = {goal.quantity for goal in goals}
    others = [axle for axle in AXLES if _STEP_OF[axle] not in named]
    return replace(
        wish,
        goals=(*goals, *(Goal(_STEP_OF[axle], "ratio", 1.0, RATIO_TOLERANCE) for axle in others)),
        only=None,
        base=base,
        assumptions=(*(AxleAsOn(axle, base) for axle in others), *wish.assumptions),
    )


_STEP_OF: Final[Mapping[Axle, Quantity]] = {"front": "stiffness front", "rear": "stiffness rear"}
