"""Figure of all channels of a log, one below the other, with the stretches that are not used marked."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analyzer.core.errors import AnalyzerError, one_line
from analyzer.core.files import write_together
from analyzer.core.signals import runs_of
from analyzer.core.units import DEG_PER_RAD
from analyzer.ingest.checks.inputs import kind_of_channel
from analyzer.ingest.recording import Recording, Verdict
from analyzer.report.figures import style
from analyzer.report.words import label

ROW: Final = 0.62
"""Height of one channel [in]."""
WIDTH: Final = 2.0 * style.PLATE_WIDTH
MOST_MARKS: Final = 400
"""Marked stretches drawn one by one; of more, neighbours are drawn as one."""
_NOT_PLAIN: Final = re.compile(r"[^A-Za-z0-9_-]+")
_FACTORS: Final = {"latitude": (DEG_PER_RAD, "deg"), "longitude": (DEG_PER_RAD, "deg")}
_WORSE: Final = (Verdict.BAD, Verdict.SUSPECT)


def save_channel_figures(recordings: Sequence[Recording], path: Path) -> tuple[Path, ...]:
    """Draw every recording to a file of its own, and return the files in order.

    `path` ends in ``.svg``, ``.png`` or ``.pdf``; of several recordings each has the run's name put behind
    the file's. Figures of the same name are replaced; anything else there, another ending, or a place that
    cannot be written to raises `AnalyzerError`.
    """
    path = path.expanduser()
    kind = style.figure_kind_of(path)
    files: dict[Path, bytes] = {}
    with style.house_style():
        for number, recording in enumerate(recordings, start=1):
            place = path
            if len(recordings) > 1:
                # A run's name is the user's: only plain letters of it go into a file name.
                run = _NOT_PLAIN.sub("-", recording.run)[:40].strip("-")
                place = path.with_name(f"{path.stem}-{run or number}{path.suffix}")
            if place in files:
                place = place.with_name(f"{place.stem}-{number}{place.suffix}")
            buffer = io.BytesIO()
            stamps = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}[kind]
            channels_figure(recording).savefig(buffer, format=kind, facecolor="white", metadata=stamps)
            files[place] = buffer.getvalue()
    try:
        write_together(files)
    except OSError as error:
        raise AnalyzerError(
            f"{one_line(str(path), 200)}: {error.strerror or 'cannot be written'}; name a file elsewhere"
        ) from None
    return tuple(files)


def channels_figure(recording: Recording) -> Figure:
    """Return the figure: a row per channel, marked where samples are suspect, with what the checks found."""
    names = list(recording.data.columns)
    top, bottom = 0.55, 0.45
    figure = Figure(figsize=(WIDTH, top + bottom + ROW * len(names)))
    height = figure.get_size_inches()[1]
    # The head is placed in inches: a log may have four channels or forty.
    worst = sum(row.verdict in _WORSE for row in recording.health)
    title = f"{label(recording.run)}: what was logged, and what of it is not used ({worst} findings)"
    figure.text(0.1 / WIDTH, 1 - 0.22 / height, title, color=style.INK, fontsize=9.5)
    key = "marked: not used, by a check or since no sample is there"
    figure.text(0.1 / WIDTH, 1 - 0.42 / height, key, color=style.VERMILION, fontsize=8)
    time = recording.data.index.to_numpy()
    rows = style.stacked(figure, len(names), ROW, (1.5, bottom, 2.0, top), gap=0.08)
    for axes, name in zip(rows, names, strict=True):
        _draw_channel(axes, recording, name, time)
    rows[-1].set_xlabel("time, s")
    return figure


def _draw_channel(axes: Axes, recording: Recording, name: str, time: npt.NDArray[np.float64]) -> None:
    factor, unit = _shown_in(name)
    values = recording.data[name].to_numpy(dtype=np.float64) * factor
    suspect = recording.suspect[name].to_numpy()
    # A channel that is left out as a whole is grey; one with bad stretches keeps its colour between them.
    bad = not recording.usable(name)
    style.trace(axes, time, values, style.GREY if bad else style.BLUE, "-", width=0.8, bins=1200)
    for first, end in marked_stretches(suspect):
        # Hatched as well as coloured, and never thinner than can be seen.
        edge = max(time[min(end, len(time) - 1)], time[first] + (time[-1] - time[0]) / 600.0)
        axes.axvspan(time[first], edge, color=style.VERMILION, alpha=0.35, hatch="////", linewidth=0.5)
    _set_limits(axes, values, time)
    axes.annotate(
        f"{label(name, 22)}\n{unit}".rstrip(), (0.0, 0.5), (-96.0, 0.0), xycoords="axes fraction",
        textcoords="offset points", va="center", color=style.INK, fontsize=8,
    )  # fmt: skip
    # No common offset at the axis: "+1.2e2" beside a channel is read past.
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.locator_params(axis="y", nbins=3)
    axes.text(
        1.01, 0.5, _findings(recording, name), transform=axes.transAxes, va="center", fontsize=7.5,
        color=style.VERMILION if bad else style.INK,
    )  # fmt: skip


def _shown_in(name: str) -> tuple[float, str]:
    """Return factor and unit in which a channel is drawn; a channel of unknown kind as logged."""
    if name in _FACTORS:
        return _FACTORS[name]
    # In the unit in which the checks speak of it.
    kind = kind_of_channel(name)
    return (1.0, "") if kind is None else (kind.factor, kind.unit)


def _set_limits(axes: Axes, values: npt.NDArray[np.float64], time: npt.NDArray[np.float64]) -> None:
    axes.set_xlim(float(time[0]), float(time[-1]) if len(time) > 1 else float(time[0]) + 1.0)
    # By hand, since one infinite sample would take the axis with it; a constant channel gets some height.
    finite = values[np.isfinite(values)]
    if len(finite) == 0:
        axes.set_ylim(-1.0, 1.0)
        return
    low, high = float(finite.min()), float(finite.max())
    room = 0.08 * (high - low) or max(1.0, 0.1 * abs(high))
    axes.set_ylim(low - room, high + room)


def _findings(recording: Recording, name: str) -> str:
    """Return the checks that found something at a channel, worst first, in three short lines."""
    rows = [row for row in recording.health if row.channel == name and row.verdict in _WORSE]
    if not rows:
        return ""
    lines = [f"{row.verdict.value}: {label(row.check, 26)}" for row in rows[:3]]
    return "\n".join(lines + ([f"and {len(rows) - 3} more"] if len(rows) > 3 else []))


def marked_stretches(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and one-past-last sample of the marked stretches, near ones joined when there are many."""
    found = runs_of(flags)
    if len(found) <= MOST_MARKS:
        return found
    # A loose plug makes thousands of them: drawn one by one they are megabytes that nobody can tell apart.
    near, joined = len(flags) // MOST_MARKS, found[:1]
    for first, end in found[1:]:
        if first - joined[-1][1] > near:
            joined.append((first, end))
        else:
            joined[-1] = (joined[-1][0], end)
    return joined
