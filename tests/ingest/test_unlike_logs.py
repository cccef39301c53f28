"""Logs of unlike make: what `start` makes of them, counted against what they truly hold."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from ingest.paddock_logs import written
from ingest.session_faults import SAMPLE, sample_run
from ingest.unlike_logs import LOGS_OF_A_SEED, POT_SCALES, Truth, Unlike, unlike_logs

from analyzer.comparison.results import ChangeVerdict
from analyzer.ingest.calibration import factor_to_si
from analyzer.ingest.channels import guess_channels
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Verdict
from analyzer.ingest.table import plain_name
from analyzer.ingest.template import (
    MEASURE,
    Answers,
    AxleAnswer,
    BarAnswer,
    start_folder,
    starter_sheets,
)
from analyzer.report.measuring_list import save_measuring_list
from analyzer.session.review import load_session, review_session
from analyzer.sheets.car import CHANNEL_DIMENSIONS
from analyzer.sheets.read import read_car


def judged(text: str, log: Unlike) -> dict[str, str]:
    """Return for each channel, clock among them, what a started car sheet makes of it.

    ``right``; ``unit asked`` where the column is right and its unit or calibration marked; ``asked`` where
    the column is listed among those left over; else what is wrong. Other columns that were taken are named.
    """
    channels = tomllib.loads(text)["logger"]["channels"]
    line_of = {line.partition(" = ")[0]: line for line in text.splitlines() if "column" in line}
    taken = {house: _name(entry["column"]) for house, entry in channels.items()}
    left = {_name(line.strip('# "')) for line in text.splitlines() if line.startswith('#   "')}
    result = {}
    for house, true in log.truth.items():
        column = _name(true.column)
        if house not in taken:
            result[house] = "asked" if column in left else "lost"
        elif taken[house] != column:
            result[house] = f"wrong column {taken[house]}"
        elif "volts" in channels[house]:
            # Its line asks for two readings and the travel at each: of inches, too.
            result[house] = "right" if true.unit in ("V", "counts") else "unit asked"
        elif MEASURE in line_of[house]:
            result[house] = "unit asked"
        else:
            dimension = CHANNEL_DIMENSIONS[house]
            same = true.unit not in ("V", "counts") and (
                factor_to_si(channels[house]["unit"], dimension) == factor_to_si(true.unit, dimension)
            )
            result[house] = "right" if same else f"wrong unit {channels[house]['unit']}"
    for house, column in taken.items():
        if house != "time" and house not in log.truth:
            result[house] = f"wrong column {column}"
    if log.clock is None:
        if "sample_rate" not in text or "time" in taken:
            result["time"] = "wrong clock"
    else:
        result["time"] = "right" if taken.get("time") == _name(log.clock) else "wrong clock"
    return result


def _name(column: str) -> str:
    """Return a column's name without unit and number, as both sides may write it."""
    return plain_name(column.partition(" [")[0].partition(" (")[0].partition(" #")[0])


@pytest.mark.parametrize(
    "seed", [3, pytest.param(range(40, 44), marks=pytest.mark.slow)], ids=["one", "four"]
)
def test_start_is_right_on_strangers_channels_and_asks_for_the_rest(
    seed: int | range, tmp_path: Path
) -> None:
    """At least 95 % of the columns of five logs of unlike make are found; none is taken for another."""
    seeds = [seed] if isinstance(seed, int) else seed
    found: Counter[str] = Counter()
    for log in (log for one in seeds for log in unlike_logs(one)):
        path = tmp_path / "outing.csv"
        path.write_bytes(log.write())
        verdicts = judged(starter_sheets(path)["car.toml"], log)
        assert set(verdicts.values()) <= {"right", "unit asked", "asked"}, (log.language, verdicts)
        found.update(verdicts.values())
    assert found["right"] + found["unit asked"] >= 0.95 * found.total(), found
    assert found["right"] >= 0.85 * found.total(), found


@pytest.mark.parametrize(
    ("unit", "in_kmh"), [("km/h", 1.0), ("mph", 1.609344), ("m/s", 3.6), ("", 1.852)], ids=str
)
def test_the_unit_of_a_speed_is_told_by_force_and_yaw_rate(unit: str, in_kmh: float, tmp_path: Path) -> None:
    """Knots are none of the units that are told, and fit none of them."""
    table = sample_run("r03")
    table["Speed"] /= in_kmh
    for yaw, force in ((table["Yaw rate"], table["LatG"]), (-table["Yaw rate"], -table["LatG"])):
        (tmp_path / "r.csv").write_text(
            written(table.assign(**{"Yaw rate": yaw, "LatG": force})),
            encoding="utf-8",
        )
        found = {guess.house: guess.unit for guess in guess_channels(tmp_path / "r.csv").channels}
        assert found["speed"] == unit


POOR = {
    **{f"{corner} pot": f"wheel {corner}" for corner in ("FL", "FR", "RL", "RR")},
    "LongG": "acc x",
    "LatG": "acc y",
    "VertG": "acc z",
    "Roll rate": "turn x",
    "Pitch rate": "turn y",
    "Yaw rate": "turn z",
    "Speed": "v",
    "Lat": "la",
    "Lon": "lo",
}
"""Names of the sample's columns that say little or the wrong thing."""
POOR_TRUTH = {
    **{f"damper_{corner}": f"wheel {corner}" for corner in ("FL", "FR", "RL", "RR")},
    **{f"accel_{axis}": f"acc {axis}" for axis in "xyz"},
    **{f"gyro_{axis}": f"turn {axis}" for axis in "xyz"},
    "speed": "v",
    "latitude": "la",
    "longitude": "lo",
}


def poorly_named(folder: Path, **values: object) -> dict[str, str]:
    """Return column and unit of what is found in a run under poor names; `values` stand in for columns."""
    table = sample_run("r03")
    for corner in ("FL", "FR", "RL", "RR"):
        # Volts to millimetres; the rear right one counts the other way.
        table[f"{corner} pot"] = 60.0 + (-40.0 if corner == "RR" else 40.0) * (table[f"{corner} pot"] - 2.5)
    table = table.assign(**{name.replace("_", " "): value for name, value in values.items()})
    # Every fourth row is enough to tell.
    table = table.iloc[::4]
    path = folder / "r.csv"
    path.write_text(
        written(table.rename(columns=POOR), digits={"la": "%.7f", "lo": "%.7f"}), encoding="utf-8"
    )
    return {guess.house: f"{guess.column} {guess.unit}" for guess in guess_channels(path).channels}


def test_values_say_what_poor_names_leave_open(tmp_path: Path) -> None:
    """Travel by left against right, turn rates and speed by lateral force, a position by its small way."""
    found = poorly_named(tmp_path)
    units = {"acc": "g", "turn": "deg/s", "wheel": "mm", "v": "km/h", "la": "deg", "lo": "deg"}
    truth = {house: f"{name} {units[name.split()[0]]}" for house, name in POOR_TRUTH.items()}
    assert {house: found.get(house) for house in truth} == truth


def test_values_that_fit_no_poor_name_are_asked(tmp_path: Path) -> None:
    """Wheel speeds, angles, a supply voltage, a lateral speed and two pressures bear the same names."""
    run = sample_run("r03")
    seconds = run["Time"]
    wheels = {f"{corner}_pot": run["Speed"] * (1.0 + 0.01 * k) for k, corner in enumerate(("FL", "FR", "RL"))}
    heading = (run["Yaw rate"] * seconds.diff().fillna(0.0)).cumsum()
    volts = 12.5 + 0.5 * run["LongG"]
    found = poorly_named(
        tmp_path,
        **wheels,
        RR_pot=run["Speed"] * 1.03,
        Yaw_rate=heading,
        Speed=volts,
        Lat=volts,
        Lon=volts * 3.0,
    )
    assert set(found) == {"accel_x", "accel_y", "accel_z", "steer_angle"}, found
    heat = {
        f"{corner}_pot": 60.0 + 20.0 * (1.0 - np.exp(-seconds / (20.0 + k)))
        for k, corner in enumerate(("FL", "FR", "RL", "RR"))
    }
    found = poorly_named(tmp_path, **heat, Speed=run["LatG"] * 10.0)
    assert not {"speed", "damper_FL", "damper_FR", "damper_RL", "damper_RR"} & set(found), found


@pytest.mark.parametrize(("unit", "in_g"), [("g", 1.0), ("m/s2", 9.80665)], ids=str)
def test_gravity_says_what_a_g_behind_a_name_means(unit: str, in_g: float, tmp_path: Path) -> None:
    """``Lat_G`` is lateral force in whatever unit, not for certain in g."""
    table = sample_run("r03").iloc[::4]
    names = {"LongG": "Long_G", "LatG": "Lat_G", "VertG": "Vert_G"}
    table = table.assign(**{name: table[name] * in_g for name in names}).rename(columns=names)
    (tmp_path / "r.csv").write_text(written(table), encoding="utf-8")
    found = {guess.house: guess for guess in guess_channels(tmp_path / "r.csv").channels}
    assert {house: found[house].unit for house in found if house.startswith("accel_")} == {
        f"accel_{axis}": unit for axis in "xyz"
    }
    sheets = starter_sheets(tmp_path / "r.csv")
    (tmp_path / "car.toml").write_text(sheets["car.toml"], encoding="utf-8")
    read = read_recording("r", [tmp_path / "r.csv"], read_car(tmp_path / "car.toml"))
    assert abs(read.data["accel_z"].median()) == pytest.approx(9.80665, abs=1.0)


# From the logs to the first verdict, by commands and edits.


RUNS = {"r01": "A", "r04": "B", "r05": "B", "r02": "A"}
"""In the order that the first-day page advises: half of A, all of B, the rest of A."""
HOLES = (
    BarAnswer("A", "front", 3),
    BarAnswer("A", "rear", 2, 1),
    BarAnswer("B", "front", 1),
    BarAnswer("B", "rear", 2, 1),
)
"""As the sample session has it."""
SEED_OF_THE_WAY = 400
SENSES = {"axes", "sign", "inverted", "swapped", "roll rate", "yaw rate"}


@dataclass
class Way:
    """What it took to come from logs to a verdict.

    Parameters
    ----------
    commands : list of str
        Commands that were run.
    columns, signs : list of str
        Lines of the logger that were edited: because they were marked, or because `check` named a sign.
    verdict : str
        Of the change of the front bar.
    """

    commands: list[str]
    columns: list[str]
    signs: list[str]
    verdict: str = ""


def first_verdict(log: Unlike, folder: Path) -> Way:
    """Go the way of somebody who knows the car and the logger, and edits only what is marked or named."""
    logs = []
    for run in RUNS:
        logs.append(folder / f"{run}.csv")
        logs[-1].write_bytes(log.write(run))
    own = folder / "evening"
    way = Way(["start"], [], [])
    bladed = AxleAnswer(bar="bladed", spacers=2)
    start_folder(own, logs, Answers(bladed, bladed, tuple(RUNS.values()), HOLES))
    sheet = own / "car.toml"
    text = sheet.read_text(encoding="utf-8")
    way.commands.append("start --list")
    save_measuring_list(read_car(sheet), sheet, folder / "list.svg")
    sheet.write_text(_filled_in(text, log, way), encoding="utf-8")
    way.commands.append("check")
    session = load_session(own)
    rows = [
        row
        for run in session.sheet.runs
        for row in read_recording(run.name, [own / name for name in run.logs], session.car).health
    ]
    if any(row.verdict in (Verdict.BAD, Verdict.SUSPECT) and row.check in SENSES for row in rows):
        sheet.write_text(_turned(sheet.read_text(encoding="utf-8"), log, way), encoding="utf-8")
    way.commands.append("review")
    review = review_session(own)
    assert not review.failed, review.failed
    way.verdict = review.comparisons[0].verdict
    return way


def _filled_in(text: str, log: Unlike, way: Way) -> str:
    """Return a started car sheet with the sample car's own data, its logger edited where marked alone."""
    body = (SAMPLE / "car.toml").read_text(encoding="utf-8").partition("[logger]")[0]
    lines = []
    for line in text.partition("[logger]")[2].splitlines():
        name = line.lstrip("# ").partition(" = ")[0]
        if line.startswith("position"):
            lines.append('position = { x = "0.12 m", y = "0.03 m", z = "-0.06 m" }')
        elif line.startswith("# sample_rate"):
            lines.append('sample_rate = "200 Hz"')
            way.columns.append("sample_rate")
        elif name in log.truth and MEASURE in line:
            column = log.truth[name].column if line.startswith("#") else tomllib.loads(line)[name]["column"]
            lines.append(f"{name} = {{ column = {json.dumps(column)}, {_measured(log.truth[name])} }}")
            way.columns.append(name)
        else:
            lines.append(line)
    return body + "[logger]\n" + "\n".join(lines)


def _measured(true: Truth) -> str:
    """Return what somebody who calibrated the sensor writes; a calibration has its sense in it."""
    if true.unit not in ("V", "counts"):
        return f'unit = "{true.unit}"'
    scale, offset = POT_SCALES[true.unit]
    travel = ["-80 mm", "80 mm"] if true.sign > 0 else ["80 mm", "-80 mm"]
    return f"volts = {[offset - 80.0 * scale, offset + 80.0 * scale]}, travel = {json.dumps(travel)}"


def _turned(text: str, log: Unlike, way: Way) -> str:
    """Return a sheet with the sign of each sensor that counts the other way, after `check` named signs."""
    lines = []
    for line in text.splitlines():
        name = line.partition(" = ")[0]
        if name in log.truth and log.truth[name].sign < 0 and "volts" not in line:
            line = line.replace(" }", ", sign = -1 }", 1)
            way.signs.append(name)
        lines.append(line)
    return "\n".join(lines)


@pytest.mark.slow
@pytest.mark.parametrize("place", range(LOGS_OF_A_SEED))
def test_from_a_strangers_log_to_the_first_verdict(place: int, tmp_path: Path) -> None:
    """Four commands, the measuring list among them; no line is edited that was not marked or named."""
    way = first_verdict(unlike_logs(SEED_OF_THE_WAY)[place], tmp_path)
    assert len(way.commands) <= 4
    assert len(way.columns) + len(way.signs) <= 9
    assert way.verdict == ChangeVerdict.AS_PREDICTED
