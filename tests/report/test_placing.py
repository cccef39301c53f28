"""Words on a map: no one hides another, and each is tied to its own place."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from analyzer.report.figures.style import Sheet, Spot, text_width

DOT = 3.4
NO_ROAD = np.zeros((0, 2))
RINGS = (15.0, 20.0, 27.0, 35.0, 45.0, 57.0, 70.0, 85.0, 105.0, 130.0)


def overlap(one: Spot, other: Spot) -> bool:
    across = one.left < other.right and other.left < one.right
    return across and one.bottom < other.top and other.bottom < one.top


def crossing(one: tuple, other: tuple) -> bool:
    (a, b), (c, d) = one, other

    def turn(p, q, r):
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return turn(a, b, c) * turn(a, b, d) < 0 and turn(c, d, a) * turn(c, d, b) < 0


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("spread", [0.0, 5.0, 60.0], ids=["one place", "close", "wide"])
def test_no_mark_hides_another_and_no_lines_cross(seed: int, spread: float):
    rng = np.random.default_rng(seed)
    places = [(170.0 + x, 150.0 + y) for x, y in spread * rng.uniform(-1.0, 1.0, (8, 2))]
    sheet = Sheet(338.0, 300.0, NO_ROAD, list(places))

    spots = sheet.put_marks(places, (42.0, 12.5), RINGS, mark=9.0)

    for one, other in combinations(spots, 2):
        assert not overlap(one, other)
    lines = [(place, spot.foot) for place, spot in zip(places, spots, strict=True)]
    # Of places whose dots lie on each other the lines look as if they came from one.
    apart = [pair for pair in combinations(lines, 2) if math.dist(pair[0][0], pair[1][0]) > DOT]
    assert not [pair for pair in apart if crossing(*pair)]
    for spot in spots:
        assert 0.0 <= spot.left < spot.right <= 338.0
        assert 0.0 <= spot.bottom < spot.top <= 300.0
        assert not any(spot.left < x < spot.right and spot.bottom < y < spot.top for x, y in places)


def test_a_mark_is_the_end_that_is_nearer_to_its_place():
    for place in ((20.0, 100.0), (318.0, 100.0), (170.0, 100.0)):
        spot = Sheet(338.0, 200.0, NO_ROAD, [place]).put(place, (60.0, 12.5), RINGS, mark=9.0, must=True)
        ends = (spot.left + 4.5, spot.right - 4.5)
        assert min(abs(spot.foot[0] - end) for end in ends) < 1e-9
        assert math.dist(spot.foot, place) == pytest.approx(15.0)


def test_a_name_keeps_off_the_road_or_stays_away():
    road = np.column_stack((np.arange(0.0, 300.0, 2.0), np.full(150, 50.0)))
    spot = Sheet(300.0, 100.0, road).put((150.0, 50.0), (60.0, 12.5), (7.0, 10.0, 14.0))
    assert spot is not None
    assert not (spot.bottom < 50.0 < spot.top)

    everywhere = np.array([(x, y) for x in range(0, 300, 4) for y in range(0, 100, 4)], dtype=np.float64)
    assert Sheet(300.0, 100.0, everywhere).put((150.0, 50.0), (60.0, 12.5), (7.0, 10.0, 14.0)) is None


def test_what_must_stand_stands_even_on_a_full_sheet():
    sheet = Sheet(120.0, 40.0, NO_ROAD)
    spots = [sheet.put((60.0, 20.0), (40.0, 12.5), (15.0,), mark=9.0, must=True) for _ in range(6)]
    assert None not in spots


def test_words_of_wide_letters_need_twice_the_room():
    assert text_width("漢字", 10.0) == pytest.approx(2.0 * text_width("ab", 10.0))
