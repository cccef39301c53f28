"""The page on which runs are looked into: every channel, over time or along the course, read by a cursor."""

import base64
import hashlib
import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from analyzer.core.errors import AnalyzerError, plain_text
from analyzer.core.files import COURSE_PAGE, LOOK_FORMAT, LOOK_PAGE, PAGE
from analyzer.core.signals import Bools, Floats, runs_of
from analyzer.core.units import AXLES, CORNERS, DEG_PER_RAD, KM_PER_H, MM_PER_M, STANDARD_GRAVITY
from analyzer.ingest.recording import Recording
from analyzer.processing.bottoming import axle_of
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.report import page
from analyzer.report.course_page import course_files
from analyzer.report.figures.course_plots import run_axis
from analyzer.report.figures.style import SETUP_LOOK, Drawings
from analyzer.report.sentences import CORNER_WORDS, events
from analyzer.report.tables import HitKey, hit_anchors, hit_key, run_key, undamped_axles
from analyzer.report.words import count, label
from analyzer.session.course_sheet import CourseSheetResult
from analyzer.session.review import Review
from analyzer.vehicle.axle import droop_end

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Channel:
    """What one figure shows: where it comes from, its words, and the last decimal that is kept."""

    key: str
    title: str
    unit: str
    factor: float
    places: int
    kind: str
    group: str


_CHANNELS: Final = (
    *(
        _Channel(f"damper_{corner}", f"Damper {words}", "mm", MM_PER_M, 2, "log", "travel")
        for corner, words in CORNER_WORDS.items()
    ),
    *(
        _Channel(f"roll_{axle}", f"Body roll over the {axle} axle", "°", DEG_PER_RAD, 2, "motion", "roll")
        for axle in AXLES
    ),
    *(
        _Channel(f"left_share_{axle}", f"Load on the left, {axle} axle", "%", 100.0, 1, "loads", "share")
        for axle in AXLES
    ),
    _Channel("accel_y", "Sideways acceleration", "g", 1.0 / STANDARD_GRAVITY, 3, "log", "accel_y"),
    _Channel("accel_z", "Vertical acceleration", "g", 1.0 / STANDARD_GRAVITY, 3, "log", "accel_z"),
    _Channel("speed", "Speed", "km/h", KM_PER_H, 1, "log", "speed"),
    _Channel("steer_angle", "Steering", "°", DEG_PER_RAD, 1, "log", "steer"),
    _Channel("bank", "Bank of the road", "°", DEG_PER_RAD, 1, "motion", "bank"),
)
"""Decimals: a pot of 12 bit over 150 mm resolves 0.04 mm, an accelerometer of 12 bit over 8 g 0.002 g."""

_MOST_VALUES: Final = 6_000_000
"""Values on the page above which samples are put together: about one byte each when packed, so that the page
stays under 8 MB."""
_AROUND_HIT_S: Final = 0.75
"""Around a hit every sample stays [s]."""
_LARGEST: Final = 2**29
"""Steps of the last decimal that can be kept, either way; the difference of two then fits 31 bits."""
_MOST_MOMENTS: Final = 200
"""Moments in the list to choose from."""
_LEVEL: Final = 6
"""Of the packing: higher ones take twice as long for 2 % (sample session)."""


def files_beside(
    review: Review, driven: CourseSheetResult | None, drawings: Drawings | None = None
) -> dict[str, bytes]:
    """Return the pages beside that of a review: of the runs, and the driver's where the course is known.

    `drawings` are given to hear of figures, and of pages, that were left out.

    Raises
    ------
    AnalyzerError
        When the drawing library for the browser is not installed.
    """
    if not review.runs:
        return {}
    drawings = drawings or Drawings()
    looked = drawings.written(
        "page of the runs", lambda: page.page_bytes(_look(review, driven)), lambda _fault: b""
    )
    files = {LOOK_PAGE: looked} if looked else {}
    if driven is None:
        return files
    there = LOOK_PAGE if looked else ""
    return files | drawings.written(
        "driver's page", lambda: course_files(driven, there, drawings), lambda _fault: {}
    )


def _look(review: Review, driven: CourseSheetResult | None) -> str:
    shown, blobs = _contents(review, driven)
    library, its_style = _library()
    scripts = [plain_text(text) for text in (library, _own("look.js"))]
    styles = [plain_text(text) for text in (its_style, _own("style.css"), _own("look.css"))]
    return page.render(
        "look.html.j2",
        title=label(review.session.sheet.name, 80),
        format=LOOK_FORMAT,
        report=PAGE,
        course="" if driven is None else COURSE_PAGE,
        runs=count(len(review.runs), "run"),
        # A page that loads nothing, and runs nothing but what stands here.
        policy="; ".join(
            (
                "default-src 'none'",
                "img-src data:",
                f"script-src {_hashes(scripts)}",
                f"style-src {_hashes(styles)}",
                "base-uri 'none'",
                "form-action 'none'",
            )
        ),
        styles=[Markup(text) for text in styles],
        scripts=[Markup(text) for text in scripts],
        shown=Markup(_as_json(shown)),
        blobs=[Markup(blob) for blob in blobs],
    )


def _own(file: str) -> str:
    return Path(__file__).with_name(file).read_text(encoding="utf-8")


def _library() -> tuple[str, str]:
    """Return script and style of the drawing library, from its installed package."""
    # Looked for without importing it: what stands around its browser code is not needed here.
    found = find_spec("uplot")
    folders = (
        [] if found is None else [Path(place) / "static" for place in found.submodule_search_locations or ()]
    )
    try:
        script, style = (
            (folders[0] / name).read_text(encoding="utf-8") for name in ("uPlot.iife.js", "uPlot.min.css")
        )
    except (IndexError, OSError):
        raise AnalyzerError(
            "uplot-python: not installed, or without its static files; install it with pip"
        ) from None
    return script, style


def _hashes(texts: Iterable[str]) -> str:
    """Return what a content security policy knows inline texts by (CSP level 3, 2.3.1)."""
    digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _as_json(content: object) -> str:
    # Within a page: no name may end the element it stands in.
    return json.dumps(content, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


# What the page is told: runs, figures, hits, the course.


def _contents(review: Review, driven: CourseSheetResult | None) -> tuple[dict[str, Any], list[str]]:
    setups = [setup.name for setup in review.setups]
    logs = {recording.run: recording for recording in review.recordings}
    pairs = [(logs[run.name], run) for run in review.runs if run.name in logs]
    pace = _pace(pairs)
    # Samples around hits stay whole; all else may be put together, or 90 minutes would not fit.
    windows = _windows(review, pairs, pace)
    # The same anchors as in the report: both pages lead to each other's line of a hit.
    anchors, ranks = hit_anchors(review), _ranks(driven)
    spans: dict[str, tuple[float, float]] = {}
    runs: list[dict[str, Any]] = []
    blobs: list[str] = []
    for recording, run in pairs:
        channels, bases, blob = _packed_run(recording, run, pace, windows.get(run.name, []), spans)
        blobs.append(blob)
        runs.append(
            {
                "name": label(run.name, 24),
                "key": run_key(run.name),
                "setup": label(run.setup, 24),
                "look": (setups.index(run.setup) if run.setup in setups else 0) % len(SETUP_LOOK),
                "off": _moved_off(run),
                "places": _places(run, driven),
                "bases": bases,
                "channels": channels,
                "lines": _lines(review, run),
                "hits": [_hit(run, event, anchors, ranks) for event in (*run.bottoming, *run.topping)],
            }
        )
    # A panel for every channel that any run holds: runs with fewer pots stay comparable in the others.
    known = {key for run in runs for key in run["channels"]}
    lacking = undamped_axles(review)
    contents = {
        "runs": runs,
        "panels": [
            {
                "key": c.key,
                "title": _title(c, lacking),
                "unit": c.unit,
                "places": c.places,
                "span": _span(c, runs, spans),
            }
            for c in _CHANNELS
            if c.key in known
        ],
        "missing": [c.title for c in _CHANNELS if c.key not in known],
        "unit": _unit(runs, driven),
        "course": _course(driven),
        "moments": _moments(review, {run["key"]: number for number, run in enumerate(runs)}),
    }
    return contents, blobs


def _title(channel: _Channel, undamped: Sequence[str]) -> str:
    """Return the title of a figure, with what its single moments lack."""
    if channel.key in [f"left_share_{axle}" for axle in undamped]:
        return f"{channel.title} (no damper rates in the sheet: moments are off by about 2 %)"
    return channel.title


def _moved_off(run: RunEstimates) -> float:
    moving = np.flatnonzero(~run.motion.parked.to_numpy())
    return round(float(run.motion.data.index[moving[0] if len(moving) else 0]), 4)


def _places(run: RunEstimates, driven: CourseSheetResult | None) -> list[list[float]] | None:
    """Return log times [s] and places at them, never falling; None where places are not known."""
    if driven is not None:
        laid = driven.line.alignments.get(run.name)
        return None if laid is None else [_round(laid.time, 3), _round(laid.place, 3)]
    place, inside, unit = run_axis(run)
    known = np.flatnonzero(inside & np.isfinite(place))[:: max(1, int(run.motion.rate / 4.0))]
    if unit != "m" or len(known) < 2:
        return None
    time = run.motion.data.index.to_numpy(dtype=np.float64)[known]
    return [_round(time, 3), _round(np.maximum.accumulate(place[known]), 3)]


def _round(values: Floats, places: int) -> list[float]:
    return [round(float(value), places) for value in values]


def _unit(runs: Sequence[Mapping[str, Any]], driven: CourseSheetResult | None) -> str:
    if not any(run["places"] for run in runs):
        return ""
    return "m" if driven is None else driven.line.unit


def _lines(review: Review, run: RunEstimates) -> dict[str, list[dict[str, Any]]]:
    """Return the lines of each damper's figure [mm]: where stop, full bump and full droop are met."""
    lines: dict[str, list[dict[str, Any]]] = {}
    for corner in CORNERS:
        axle = axle_of(corner)
        damper, droop = review.session.car.axle(axle).damper, droop_end(review.session.car, axle)
        stop = run.stops.get(axle)
        drawn = [
            ("bump stop", None if stop is None else stop.value, True),
            ("full bump", None if damper.full_bump is None else damper.full_bump.value * MM_PER_M, False),
            (
                "full droop",
                None if droop is None or droop.full_bump is None else -droop.full_bump * MM_PER_M,
                False,
            ),
        ]
        lines[f"damper_{corner}"] = [
            {"name": name, "at": round(at, 2), "dashed": dashed}
            for name, at, dashed in drawn
            if at is not None
        ]
    return lines


def _ranks(driven: CourseSheetResult | None) -> dict[HitKey, int]:
    """Return the number on the driver's page of each hit that stands there."""
    places = () if driven is None else driven.places
    return {
        hit_key(hit.run, hit.event): rank
        for rank, sheet in enumerate(places, start=1)
        for hit in sheet.place.hits
    }


def _hit(
    run: RunEstimates, event: BottomingEvent, anchors: Mapping[HitKey, str], ranks: Mapping[HitKey, int]
) -> dict[str, Any]:
    key, droop = hit_key(run.name, event), event.kind == "full droop"
    return {
        "corner": event.corner,
        "words": CORNER_WORDS[event.corner],
        "from": round(event.start_s, 3),
        "to": round(event.end_s, 3),
        "at": round(event.peak_s, 3),
        "deep": round(event.stop_compression * MM_PER_M, 1),
        "hard": event.hard,
        "droop": droop,
        "section": label(event.section, 24),
        "report": "" if droop else anchors.get(key, ""),
        "rank": ranks.get(key),
    }


def _course(driven: CourseSheetResult | None) -> dict[str, Any]:
    if driven is None:
        return {"sections": [], "track": None}
    line = driven.line
    track = None
    if line.east is not None and line.north is not None and np.isfinite(line.east).mean() > 0.5:
        good = np.isfinite(line.east) & np.isfinite(line.north)
        track = [_round(values[good], 1) for values in (line.place, line.east, line.north)]
    sections = [
        {"name": label(span.name, 24), "from": round(span.start, 2), "to": round(span.end, 2)}
        for span in line.sections
    ]
    return {"sections": sections, "track": track}


def _moments(review: Review, numbers: Mapping[str, int]) -> list[dict[str, Any]]:
    """Return the hits to choose from, hardest first."""
    return [
        {
            "run": numbers[run_key(run.name)],
            "at": round(event.peak_s, 3),
            "what": f"damper_{event.corner}",
            "words": ", ".join(
                (
                    CORNER_WORDS[event.corner],
                    *(("hard",) if event.hard else ()),
                    label(event.section, 24),
                    label(run.name, 16),
                )
            ),
        }
        for run, event in events(review)[:_MOST_MOMENTS]
        if run_key(run.name) in numbers
    ]


def _span(
    channel: _Channel, runs: Sequence[Mapping[str, Any]], spans: Mapping[str, tuple[float, float]]
) -> list[float]:
    """Return lowest and highest value of a figure's scale; figures of one kind share theirs."""
    low, high = spans.get(channel.group, (0.0, 1.0))
    if channel.group == "share":
        return [0.0, 100.0]
    if channel.group == "travel":
        ends = [line["at"] for run in runs for lines in run["lines"].values() for line in lines]
        low, high = min([low, *ends]), max([high, *ends])
    room = 0.04 * max(high - low, 10.0**-channel.places)
    return [round(low - room, 4), round(high + room, 4)]


# Samples: as they are while they fit, else lowest and highest of a few together, but never near a hit.

_Pair = tuple[Recording, RunEstimates]


def _bases(recording: Recording, run: RunEstimates) -> dict[str, tuple[int, float, list[_Channel]]]:
    """Return of log and motion: samples, samples per second, and the channels that stand on them."""
    found: dict[str, tuple[int, float, list[_Channel]]] = {
        "log": (len(recording.data), recording.sample_rate, []),
        "motion": (len(run.motion.data), run.motion.rate, []),
    }
    has = {"log": recording.data.columns, "motion": run.motion.data.columns, "loads": run.loads.columns}
    for channel in _CHANNELS:
        if channel.key in has[channel.kind]:
            found["log" if channel.kind == "log" else "motion"][2].append(channel)
    return found


def _every(pace: float, rate: float) -> int:
    return max(1, int(pace * rate + 1e-9))


def _pace(pairs: Sequence[_Pair]) -> float:
    """Return how long samples are put together [s], 0 where all of them fit."""
    bases = [base for pair in pairs for base in _bases(*pair).values()]

    def kept(pace: float) -> float:
        counts = ((n * len(channels), _every(pace, rate)) for n, rate, channels in bases)
        return sum(n if every == 1 else 2.0 * n / every for n, every in counts)

    pace = 0.0
    while kept(pace) > _MOST_VALUES:
        # By a fifth each time: no finer than is needed, and found in a few dozen steps for any length.
        pace = max(1.2 * pace, 0.002)
    return pace


def _windows(review: Review, pairs: Sequence[_Pair], pace: float) -> dict[str, list[tuple[float, float]]]:
    """Return the times of each run around which every sample stays, those of the hardest hits first."""
    # Whole samples around hits take a quarter of the page at most, so that the rest stays fine enough to
    # read.
    left = _MOST_VALUES / 4.0
    costs = {run.name: sum(rate * len(c) for _, rate, c in _bases(log, run).values()) for log, run in pairs}
    windows: dict[str, list[tuple[float, float]]] = {}
    for run, event in events(review) if pace else ():
        around = (event.start_s - _AROUND_HIT_S, event.end_s + _AROUND_HIT_S)
        left -= costs.get(run.name, 0.0) * (around[1] - around[0])
        if left < 0.0:
            break
        windows.setdefault(run.name, []).append(around)
    return windows


def _cuts(
    samples: int, start: float, rate: float, every: int, windows: Sequence[tuple[float, float]]
) -> list[tuple[int, int, int]]:
    """Return stretches of samples: the first, how many are put together, and how many such groups."""
    if every == 1:
        return [(0, 1, samples)]
    cuts: list[tuple[int, int, int]] = []
    at = 0
    for low, high in sorted(windows):
        first = min(max(int((low - start) * rate), at), samples)
        last = min(max(int((high - start) * rate), first), samples)
        cuts += _grouped(at, first, every)
        if last > first:
            cuts.append((first, 1, last - first))
        at = last
    return cuts + _grouped(at, samples, every)


def _grouped(first: int, end: int, every: int) -> list[tuple[int, int, int]]:
    whole, rest = divmod(end - first, every)
    groups = [(first, every, whole)] if whole else []
    return groups + ([(first + whole * every, rest, 1)] if rest else [])


def _packed_run(
    recording: Recording,
    run: RunEstimates,
    pace: float,
    windows: Sequence[tuple[float, float]],
    spans: dict[str, tuple[float, float]],
) -> tuple[dict[str, Any], dict[str, Any], str]:
    """Return what is told of each channel and of both time bases, and the values, packed.

    The values of a channel are steps of its last decimal: lowest of each group, then highest where groups
    hold several samples. Each stands as its difference to the one before, folded to positive numbers, all
    first bytes before all second ones, deflated, in base 64. `spans` takes in the lowest and highest values.
    """
    told: dict[str, Any] = {}
    bases: dict[str, Any] = {}
    parts: list[bytes] = []
    for base, (samples, rate, channels) in _bases(recording, run).items():
        index = (recording.data if base == "log" else run.motion.data).index
        start = float(index[0]) if samples else 0.0
        # Runs of one session share a pace, so that laid over each other they are as fine as each other.
        cuts = _cuts(samples, start, rate, _every(pace, rate), windows)
        bases[base] = {"start": round(start, 6), "rate": rate, "cuts": cuts}
        if not samples:
            continue
        starts = np.concatenate([first + every * np.arange(number) for first, every, number in cuts])
        wide = any(every > 1 for _, every, _ in cuts)
        for channel in channels:
            values, suspect = _samples(channel, recording, run)
            # Both ends of each group: a mean would hide the hit that one came to look at.
            low, high = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
            doubted: Bools = np.logical_or.reduceat(suspect, starts)
            missing = ~np.isfinite(low)
            parts += [_folded(side, missing, channel) for side in ((low, high) if wide else (low,))]
            told[channel.key] = {
                "base": base,
                "wide": wide,
                "suspect": _stretches(doubted & ~missing),
                "missing": _stretches(missing),
            }
            # A spike of a dying pot must not set the scale of the good samples.
            _widen(spans, channel, low[~doubted & ~missing], high[~doubted & ~missing])
    packed = base64.b64encode(zlib.compress(b"".join(parts), _LEVEL)).decode()
    return told, bases, packed


def _samples(channel: _Channel, recording: Recording, run: RunEstimates) -> tuple[Floats, Bools]:
    """Return the samples of a channel as they are shown, and which of them are suspect."""
    if channel.kind == "loads":
        column = run.loads[channel.key].reindex(run.motion.data.index)
        values = column.to_numpy(dtype=np.float64)
        return values * channel.factor, np.zeros(len(values), dtype=np.bool_)
    source = recording if channel.kind == "log" else run.motion
    values = source.data[channel.key].to_numpy(dtype=np.float64) * channel.factor
    if channel.key in source.suspect.columns:
        return values, source.suspect[channel.key].to_numpy(dtype=np.bool_)
    return values, np.zeros(len(values), dtype=np.bool_)


def _folded(values: Floats, missing: Bools, channel: _Channel) -> bytes:
    steps: Ints = np.rint(
        np.clip(np.where(missing, 0.0, values) * 10.0**channel.places, -_LARGEST, _LARGEST)
    ).astype(np.int64)
    change = np.diff(steps, prepend=0)
    # Small steps either way become small positive numbers: their upper bytes are nought and pack to nothing.
    folded = ((change << 1) ^ (change >> 63)).astype("<u4")
    return folded.view(np.uint8).reshape(-1, 4).T.tobytes()


def _stretches(flags: Bools) -> list[tuple[int, int]]:
    """Return first and number of each stretch of True."""
    return [(first, end - first) for first, end in runs_of(flags)]


def _widen(spans: dict[str, tuple[float, float]], channel: _Channel, low: Floats, high: Floats) -> None:
    if len(low):
        ends = (float(low.min()), float(high.max()))
        before = spans.get(channel.group, ends)
        spans[channel.group] = (min(before[0], ends[0]), max(before[1], ends[1]))
