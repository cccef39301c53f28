"""Words on a map: where each stands so that none hides another, and how a line ties it to its place.

All lengths are points of the drawing. Words are set one after the other, the most important first, each at
the cheapest free spot on rings around its place. Own code, since a library for this moves words by many small
steps from a random start and promises no free spot; here a spot is free or it is not taken.
"""

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Point = tuple[float, float]

LETTER: Final = 0.58
"""Width of a letter over the size of its type: wider than the mean of the sans-serif types in use, so that a
word is never longer than the room kept for it; letters of East Asian scripts count twice."""
_ANGLES: Final = np.radians(np.arange(0.0, 360.0, 15.0))
_CLEAR: Final = 2.0
"""Least gap between two words, and between a word and a line."""
_ON_ROAD: Final = 40.0
"""What it costs to stand on the road, in points of distance from the place."""
_OVER_ROAD: Final = 15.0
"""What it costs when the line to the place crosses the road."""
_STEPS: Final = np.linspace(0.0, 1.0, 17)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a word stands.

    Parameters
    ----------
    left, bottom, right, top : float
        The room kept for it.
    foot : tuple
        Where the line from its place ends: at the room, or in the middle of its mark.
    """

    left: float
    bottom: float
    right: float
    top: float
    foot: Point

    @property
    def middle(self) -> Point:
        """The middle of the room."""
        return (self.left + self.right) / 2.0, (self.bottom + self.top) / 2.0


def text_width(text: str, size: float) -> float:
    """Return how wide a word is at most, in type of this size."""
    wide = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    return (len(text) + wide) * LETTER * size


@dataclass
class Sheet:
    """A drawing that is filled with words.

    Parameters
    ----------
    width, height : float
        Its size.
    road : array, shape (n, 2)
        Points every few points of the way along what should stay visible.
    points : list of tuple
        Places that no word may cover.
    """

    width: float
    height: float
    road: Floats
    points: list[Point] = field(default_factory=list)
    _taken: list[Spot] = field(default_factory=list)
    _lines: list[tuple[Point, Point]] = field(default_factory=list)

    def put(
        self, at: Point, size: Point, rings: Sequence[float], *, mark: float = 0.0, must: bool = False
    ) -> Spot | None:
        """Return the cheapest free spot for a word of this `size` around a place, and keep it; None if none.

        A word that `must` stand may have a line that crosses another, but never covers a word while there is
        any free spot on its rings.

        Parameters
        ----------
        at : tuple
            The place.
        size : tuple
            Width and height of the word.
        rings : sequence of float
            Distances from the place that are tried.
        mark : float
            Width of the mark at one end of the word, to which the line leads; 0 without one.
        must : bool
            Whether the word has to stand somewhere.
        """
        boxes, feet = _marked(at, size, rings, mark) if mark else _candidates(at, size, rings)
        inside = self._inside(boxes)
        covered = self._covered(boxes)
        # A word that may stay away never stands on the road.
        free = inside & self._unhidden(at, boxes, feet) & (must | (covered == 0))
        if must and not free.any():
            free = inside & self._apart(boxes)
        if must and not free.any():
            free = inside if inside.any() else np.ones(len(boxes), dtype=np.bool_)
        if not free.any():
            return None
        reach = np.hypot(feet[:, 0] - at[0], feet[:, 1] - at[1])
        cost = np.full(len(boxes), math.inf)
        cost[free] = reach[free] + self._road_cost(at, covered[free], feet[free])
        best = int(np.argmin(cost))
        left, bottom, right, top = map(float, boxes[best])
        spot = Spot(left, bottom, right, top, (float(feet[best, 0]), float(feet[best, 1])))
        self._taken.append(spot)
        self._lines.append((at, spot.foot))
        return spot

    @cached_property
    def _road_tree(self) -> cKDTree:
        return cKDTree(self.road)

    def _inside(self, boxes: Floats) -> Bools:
        low = (boxes[:, 0] >= 0.0) & (boxes[:, 1] >= 0.0)
        return low & (boxes[:, 2] <= self.width) & (boxes[:, 3] <= self.height)

    def put_marks(
        self, places: Sequence[Point], size: Point, rings: Sequence[float], mark: float
    ) -> list[Spot]:
        """Return a spot for a word with a mark at every place; lines that cross are parted.

        Parameters are those of `put`, with one `size` and one width of the `mark` for all.
        """
        first = len(self._lines)
        spots = []
        for place in places:
            spot = self.put(place, size, rings, mark=mark, must=True)
            assert spot is not None
            spots.append(spot)
        # Two lines that cross are parted by changing ends, and get shorter by it, so that this ends.
        tangled = True
        while tangled:
            tangled = False
            for one, other in combinations(range(len(spots)), 2):
                a, b = spots[one], spots[other]
                if not _cross(places[one], np.array([a.foot]), places[other], b.foot).any():
                    continue
                if _under_word(places[one], b, mark) or _under_word(places[other], a, mark):
                    continue
                spots[one], spots[other] = b, a
                tangled = True
        self._lines[first:] = [(place, spot.foot) for place, spot in zip(places, spots, strict=True)]
        return spots

    def keep_free(self, left: float, bottom: float, right: float, top: float) -> None:
        """Keep words out of a part of the drawing."""
        self._taken.append(Spot(left, bottom, right, top, (left, bottom)))

    def _apart(self, boxes: Floats) -> Bools:
        """Return which boxes cover no word."""
        free = np.ones(len(boxes), dtype=np.bool_)
        for spot in self._taken:
            across = (boxes[:, 0] > spot.right + _CLEAR) | (boxes[:, 2] < spot.left - _CLEAR)
            free &= across | (boxes[:, 1] > spot.top + _CLEAR) | (boxes[:, 3] < spot.bottom - _CLEAR)
        return free

    def _unhidden(self, at: Point, boxes: Floats, feet: Floats) -> Bools:
        """Return which boxes cover no word, point or line, and whose own line runs over no word or line."""
        free = self._apart(boxes)
        lines = np.array(at) + _STEPS[:, None] * (feet[:, None, :] - np.array(at))
        for spot in self._taken:
            free &= ~_within(lines, (spot.left, spot.bottom), (spot.right, spot.top)).any(axis=1)
        for point in self.points:
            free &= ~_holds(boxes, np.array([point]), 2.0 * _CLEAR).any(axis=1)
        for start, end in self._lines:
            along = np.array(start) + _STEPS[:, None] * (np.array(end) - np.array(start))
            free &= ~_holds(boxes, along, _CLEAR).any(axis=1)
            # Two lines from one place share their start, which is no crossing.
            if math.dist(start, at) > 1.0:
                free &= ~_cross(at, feet, start, end)
        return free

    def _covered(self, boxes: Floats) -> npt.NDArray[np.intp]:
        """Return how many points of the road each box covers."""
        covered: npt.NDArray[np.intp] = _holds(boxes, self.road, 2.0 * _CLEAR).sum(axis=1)
        return covered

    def _road_cost(self, at: Point, covered: npt.NDArray[np.intp], feet: Floats) -> Floats:
        if not len(self.road):
            return np.zeros(len(feet))
        # The line leaves the road it starts on; from a little way out, more road under it is another one.
        lines = np.array(at) + _STEPS[:, None] * (feet[:, None, :] - np.array(at))
        away = np.hypot(*(lines - np.array(at)).transpose(2, 0, 1)) > 9.0
        apart = np.asarray(self._road_tree.query(lines.reshape(-1, 2))[0])
        near = apart.reshape(lines.shape[:2]) < 4.0
        over = (near & away).any(axis=1)
        cost: Floats = np.where(covered > 0, _ON_ROAD + covered, 0.0) + np.where(over, _OVER_ROAD, 0.0)
        return cost


def _candidates(at: Point, size: Point, rings: Sequence[float]) -> tuple[Floats, Floats]:
    """Return boxes (left, bottom, right, top) around a place, and where the line to each one ends."""
    angle, ring = (grid.ravel() for grid in np.meshgrid(_ANGLES, np.asarray(rings, dtype=np.float64)))
    x = at[0] + np.cos(angle) * (ring + size[0] / 2.0)
    y = at[1] + np.sin(angle) * (ring + size[1] / 2.0)
    boxes = np.column_stack((x - size[0] / 2.0, y - size[1] / 2.0, x + size[0] / 2.0, y + size[1] / 2.0))
    feet = np.column_stack(
        (np.clip(at[0], boxes[:, 0], boxes[:, 2]), np.clip(at[1], boxes[:, 1], boxes[:, 3]))
    )
    return boxes, feet


def _marked(at: Point, size: Point, rings: Sequence[float], mark: float) -> tuple[Floats, Floats]:
    """Return the same for words with a mark, first at their left end, then at their right one."""
    angle, ring = (grid.ravel() for grid in np.meshgrid(_ANGLES, np.asarray(rings, dtype=np.float64)))
    feet = np.column_stack((at[0] + np.cos(angle) * ring, at[1] + np.sin(angle) * ring))
    low, high = feet[:, 1] - size[1] / 2.0, feet[:, 1] + size[1] / 2.0
    left, right = feet[:, 0] - mark / 2.0, feet[:, 0] + mark / 2.0
    boxes = np.concatenate(
        (
            np.column_stack((left, low, left + size[0], high)),
            np.column_stack((right - size[0], low, right, high)),
        )
    )
    feet = np.concatenate((feet, feet))
    # Not with the word between the mark and its place: the line would run through it.
    behind = np.where(feet[:, 0] < boxes[:, [0, 2]].mean(axis=1), at[0] > feet[:, 0], at[0] < feet[:, 0])
    level = np.abs(at[1] - feet[:, 1]) < np.abs(at[0] - feet[:, 0])
    clear = ~(behind & level)
    return boxes[clear], feet[clear]


def _under_word(at: Point, spot: Spot, mark: float) -> bool:
    """Return whether the line from a place to the mark of a word runs through the word."""
    line = np.array(at) + _STEPS[:, None] * (np.array(spot.foot) - np.array(at))
    right = spot.foot[0] < spot.middle[0]
    low = spot.left + mark if right else spot.left
    high = spot.right if right else spot.right - mark
    return bool(_within(line[None], (low, spot.bottom), (high, spot.top)).any())


def _holds(boxes: Floats, points: Floats, gap: float) -> Bools:
    """Return which boxes (rows) hold which points (columns), or come nearer to them than `gap`."""
    x, y = points[:, 0], points[:, 1]
    across = (x > boxes[:, [0]] - gap) & (x < boxes[:, [2]] + gap)
    held: Bools = across & (y > boxes[:, [1]] - gap) & (y < boxes[:, [3]] + gap)
    return held


def _within(lines: Floats, low: Point, high: Point) -> Bools:
    x, y = lines[..., 0], lines[..., 1]
    inside: Bools = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
    return inside


def _cross(at: Point, feet: Floats, start: Point, end: Point) -> Bools:
    """Return which lines from `at` to `feet` cross the one from `start` to `end`."""
    a, c, d = np.array(at), np.array(start), np.array(end)

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        u, v = q - p, r - p
        turn: Floats = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        return turn

    # Each line has the ends of the other on its two sides.
    one = side(a, feet, c) * side(a, feet, d) < 0.0
    other = side(c, d, a) * side(c, d, feet) < 0.0
    crossing: Bools = one & other
    return crossing
