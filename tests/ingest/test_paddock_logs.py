"""From a log of any make to a first review: start a folder, fill in only what is marked, review."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ingest.paddock_logs import (
    LOGS,
    counts_and_milli_g,
    jitter_and_lost_rows,
    mixed_rates,
    rows_of_three_types,
    si_units_and_no_zero,
)
from ingest.session_faults import SAMPLE

from analyzer.ingest.template import MEASURE, start_folder
from analyzer.processing.results import RunEstimates
from analyzer.session.review import review_session

BY_DEFAULT = {rows_of_three_types, si_units_and_no_zero}
UNITS = {"speed": "km/h", "steer_angle": "deg", "latitude": "deg", "longitude": "deg"}


def measured(make: Callable[[], bytes], name: str) -> dict[str, Any]:
    """Return what somebody who knows the logger would write for a channel that is marked."""
    if name.startswith("damper"):
        if make is si_units_and_no_zero:
            return {"unit": "mm"}
        travel = ["80 mm", "-80 mm"] if name.endswith("RR") else ["-80 mm", "80 mm"]
        return {"volts": [409.5, 3685.5] if make is counts_and_milli_g else [0.5, 4.5], "travel": travel}
    if name.startswith("gyro"):
        return {"unit": "rad/s" if make is si_units_and_no_zero else "deg/s"}
    return {"unit": UNITS[name]}


def filled_in(text: str, make: Callable[[], bytes]) -> str:
    """Return a started car sheet with the car's own data, and its logger changed only where it is marked."""
    body = (SAMPLE / "car.toml").read_text(encoding="utf-8").partition("[logger]")[0]
    lines = []
    for line in text.partition("[logger]")[2].splitlines():
        name = line.partition(" = ")[0]
        if MEASURE in line and line.startswith("position"):
            lines.append('position = { x = "0.12 m", y = "0.03 m", z = "-0.06 m" }')
        elif MEASURE in line and not line.startswith("#"):
            known = {k: v for k, v in tomllib.loads(line)[name].items() if k == "column"}
            known |= measured(make, name)
            lines.append(f"{name} = {{ {', '.join(f'{k} = {json.dumps(v)}' for k, v in known.items())} }}")
        else:
            lines.append(line)
    return body + "[logger]\n" + "\n".join(lines)


@pytest.fixture(scope="module")
def direct(tmp_path_factory: pytest.TempPathFactory) -> RunEstimates:
    """Return the estimates of the run as the sample session has it."""
    folder = tmp_path_factory.mktemp("direct")
    for name in ("car.toml", "r02.csv.gz"):
        (folder / name).write_bytes((SAMPLE / name).read_bytes())
    text = (SAMPLE / "session.toml").read_text(encoding="utf-8").replace('course = "course.toml"\n', "")
    head, *runs = text.split("[[runs]]")
    (folder / "session.toml").write_text(head + "[[runs]]" + runs[1], encoding="utf-8")
    return review_session(folder / "session.toml").runs[0]


@pytest.mark.parametrize(
    "make",
    [pytest.param(m, marks=() if m in BY_DEFAULT else pytest.mark.slow) for m in LOGS],
    ids=lambda make: make.__name__,
)
def test_numbers_survive_the_make_of_the_log(
    make: Callable[[], bytes], direct: RunEstimates, tmp_path: Path
) -> None:
    log = tmp_path / "outing 3.csv"
    log.write_bytes(make())
    folder = tmp_path / "session"
    start_folder(folder, log)
    car = folder / "car.toml"
    car.write_text(filled_in(car.read_text(encoding="utf-8"), make), encoding="utf-8")
    sheet = (folder / "session.toml").read_text(encoding="utf-8")
    for started, fitted in (
        ("front_bar = { hole = 1", "front_bar = { hole = 3"),
        ("rear_bar = { hole = 1, spacers = 0", "rear_bar = { hole = 2, spacers = 1"),
    ):
        assert started in sheet
        sheet = sheet.replace(started, fitted)
    (folder / "session.toml").write_text(sheet, encoding="utf-8")
    review = review_session(folder / "session.toml")
    assert not review.failed
    (run,) = review.runs
    # Stamps that jitter are interpolated, and a pot's own motion with them.
    rough = make is jitter_and_lost_rows
    for axle in ("front", "rear"):
        want, got = direct.roll_gradient_body[axle].value, run.roll_gradient_body[axle].value
        assert got == pytest.approx(want, rel=0.005 if rough else 0.002)
        share, found = (r.load_share[axle].left_share.value for r in (direct, run))  # type: ignore[index]
        assert found == pytest.approx(share, abs=0.01 if rough else 0.003)
    assert [e.corner for e in run.bottoming] == [e.corner for e in direct.bottoming]
    for event, true in zip(run.bottoming, direct.bottoming, strict=True):
        assert event.peak == pytest.approx(true.peak, abs=0.0006)
    if make is mixed_rates:
        assert review.recordings[0].sample_rate == pytest.approx(200.0)
