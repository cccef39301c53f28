"""The figure of all channels shows every channel and marks exactly what is not used."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import car_with, plain_log, write_log
from typer.testing import CliRunner

from analyzer.cli import app
from analyzer.core.errors import AnalyzerError
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording
from analyzer.report.figures.review_plots import (
    MOST_MARKS,
    channels_figure,
    marked_stretches,
    save_channel_figures,
)
from analyzer.report.figures.style import house_style
from analyzer.session.review import check_path


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    log = plain_log(seconds=40.0)
    log.columns["FR pot [mm]"][1500:1560] = -68.0
    log.columns["RL pot [mm]"] *= -1.0
    return write_log(tmp_path / "r.csv", log)


def spans(recording: Recording) -> dict[str, list[tuple[float, float]]]:
    """Return per channel the marked times as drawn."""
    with house_style():
        figure = channels_figure(recording)
    found = {}
    for axes, name in zip(figure.axes, recording.data.columns, strict=True):
        boxes = [patch.get_extents().transformed(axes.transData.inverted()) for patch in axes.patches]
        found[name] = [(box.x0, box.x1) for box in boxes]
        assert len(axes.lines) == 1
        assert axes.texts
    return found


def test_marks_lie_where_samples_are_suspect(damaged: Path) -> None:
    recording = read_recording("r", [damaged], car_with())
    drawn = spans(recording)
    (mark,) = drawn.pop("damper_FR")
    assert mark == pytest.approx((15.0, 15.6), abs=0.02)
    assert not any(drawn.values())


def test_findings_stand_beside_their_channel(damaged: Path) -> None:
    recording = read_recording("r", [damaged], car_with())
    with house_style():
        figure = channels_figure(recording)
    texts = {
        name: " ".join(text.get_text() for text in axes.texts)
        for axes, name in zip(figure.axes, recording.data.columns, strict=True)
    }
    assert "suspect: dropouts" in texts["damper_FR"]
    assert "bad: inverted" in texts["damper_RL"]
    assert "suspect" not in texts["damper_FL"]


def test_many_marks_are_joined_and_none_is_lost() -> None:
    flags = np.zeros(100_000, dtype=bool)
    flags[::50] = True
    found = marked_stretches(flags)
    assert len(found) <= MOST_MARKS
    covered = np.zeros(len(flags), dtype=bool)
    for first, end in found:
        covered[first:end] = True
    assert covered[flags].all()


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_command_writes_the_figure(kind: str, damaged: Path) -> None:
    target = damaged.with_name(f"channels.{kind}")
    done = CliRunner().invoke(app, ["check", str(damaged), "--figure", str(target)])
    assert done.exit_code == 0, done.output
    assert "figure: " in done.output
    start = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[kind]
    content = target.read_bytes()
    assert content.startswith(start)
    save_channel_figures(check_path(damaged, lambda *_: None).recordings, target)
    assert target.read_bytes() == content


def test_kind_that_is_none_is_one_line(damaged: Path) -> None:
    recording = read_recording("<b>r</b>", [damaged], car_with())
    with pytest.raises(AnalyzerError, match="figures are not written as"):
        save_channel_figures([recording], damaged.with_suffix(".doc"))
    files = save_channel_figures([recording, recording], damaged.with_name("f.svg"))
    assert [file.name for file in files] == ["f-b-r-b.svg", "f-b-r-b-2.svg"]
    assert b"<b>" not in files[0].read_bytes()
