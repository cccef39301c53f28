"""Channels of unknown logs are guessed by words, units and signal; sheets started from them read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import POTS, Log, car_with, plain_log, text_of, write_log

from analyzer.core.errors import LogError
from analyzer.ingest.cells import read_header_cell
from analyzer.ingest.channels import guess_channels, guess_name
from analyzer.ingest.read_run import read_loose_log, read_recording
from analyzer.ingest.table import find_column
from analyzer.ingest.template import GUESSED, MEASURE, quoted, start_folder, starter_sheets
from analyzer.prediction.settings import bar_ladder
from analyzer.session.review import load_session
from analyzer.sheets.read import read_car, read_session

WORDS = {
    "FL pot [mm]": "damper_FL",
    "Damper Pos FR (mm)": "damper_FR",
    "Shock_RL": "damper_RL",
    "suspension travel rear right [mm]": "damper_RR",
    "Susp Pot LF [V]": "damper_FL",
    "DamperFL_mm": "damper_FL",
    "RR [mm]": "damper_RR",
    "LatG": "accel_y",
    "Lat Acc [g]": "accel_y",
    "G Force Lat [g]": "accel_y",
    "Accel Y [m/s2]": "accel_y",
    "ay (g)": "accel_y",
    "LongG [g]": "accel_x",
    "LonG [g]": "accel_x",
    "Longitudinal acceleration [m/s^2]": "accel_x",
    "Vertical Accel [g]": "accel_z",
    "AccZ [mg]": "accel_z",
    "Yaw rate [deg/s]": "gyro_z",
    "Gyro X (dps)": "gyro_x",
    "Roll Rate": "gyro_x",
    "PitchRate [°/s]": "gyro_y",
    "Speed [km/h]": "speed",
    "GPS Speed (mph)": "speed",
    "Steering angle [deg]": "steer_angle",
    "Steer": "steer_angle",
    "GPS Latitude [deg]": "latitude",
    "Longitude": "longitude",
    "accel_x": "accel_x",
}
OTHER_LANGUAGES = {
    "Federweg VL [mm]": "damper_FL",
    "Dämpferweg hinten rechts [mm]": "damper_RR",
    "Daempferweg_HL": "damper_RL",
    "Querbeschleunigung [m/s²]": "accel_y",
    "Gierrate [°/s]": "gyro_z",
    "Wankrate [°/s]": "gyro_x",
    "Geschwindigkeit [km/h]": "speed",
    "Lenkradwinkel [°]": "steer_angle",
    "Débattement AVG (mm)": "damper_FL",
    "Amortisseur arrière droit [mm]": "damper_RR",
    "Accélération latérale": "accel_y",
    "Vitesse [km/h]": "speed",
    "Vitesse de lacet [°/s]": "gyro_z",
    "Ammortizzatore anteriore sinistro [mm]": "damper_FL",
    "Accelerazione verticale [g]": "accel_z",
    "Velocità di imbardata [°/s]": "gyro_z",
    "Angolo sterzo [°]": "steer_angle",
    "Recorrido amortiguador trasero izquierdo [mm]": "damper_RL",
    "Aceleración lateral [g]": "accel_y",
    "Velocidad de balanceo [°/s]": "gyro_x",
    "Amortecedor dianteiro direito [mm]": "damper_FR",
    "Aceleração longitudinal [g]": "accel_x",
    "Støddæmper vf": "damper_FL",
    "Støddæmper bag højre": "damper_RR",
    "Tværacc. [g]": "accel_y",
    "Krængningshastighed [deg/s]": "gyro_x",
    "Fart": "speed",
    "Ratvinkel": "steer_angle",
    "車速 [km/h]": "speed",
    "横G": "accel_y",
    "前後加速度 [m/s2]": "accel_x",
    "ヨーレート [deg/s]": "gyro_z",
    "ストロークFL [mm]": "damper_FL",
    "左後ストローク (mm)": "damper_RL",
}
NOT_TAKEN = (
    "Radgeschwindigkeit VL [km/h]", "Vitesse roue AVG [km/h]", "Reifendruck VL [bar]", "Motordrehzahl",
    "Course [deg]", "HR [bpm]", "タイヤ温度 FL",
    "Wheel speed FL [km/h]", "FL tyre temp [C]", "Brake pressure FR [bar]", "Engine speed "
    "[rpm]", "Damper velocity FL [mm/s]",
    "Steering torque [Nm]", "Oil temp", "Battery [V]", "Lateral combined G total", "Tyre RL "
    "[bar]", "Lap", "GPS accuracy speed [m]",
)  # fmt: skip


@pytest.mark.parametrize(("head", "house"), (WORDS | OTHER_LANGUAGES).items())
def test_trade_words_are_understood(head: str, house: str) -> None:
    guess = guess_name(read_header_cell(head), 0)
    assert guess is not None
    assert guess.house == house
    assert guess.reason


@pytest.mark.parametrize("head", NOT_TAKEN)
def test_other_columns_are_left_alone(head: str) -> None:
    assert guess_name(read_header_cell(head), 0) is None


def test_a_unit_in_the_name_is_taken() -> None:
    speed, pot = (guess_name(read_header_cell(head), 0) for head in ("MPH", "susp_lf_in"))
    assert speed is not None
    assert (speed.house, speed.unit) == ("speed", "mph")
    assert pot is not None
    assert (pot.house, pot.unit) == ("damper_FL", "in")


def test_a_second_letter_of_an_axis_is_a_turn_rate(tmp_path: Path) -> None:
    """``Gx`` is an acceleration in g where there is no ``Ax``, else what the gyro about x reads."""
    log = plain_log()
    both = {
        "LonG [g]": "Ax",
        "LatG [g]": "Ay",
        "VertG [g]": "Az",
        "Roll rate [deg/s]": "Gx",
        "Yaw rate [deg/s]": "Gz",
    }
    assert both.keys() <= log.columns.keys()
    named = Log({both.get(name, name): values for name, values in log.columns.items()})
    found = {g.house: g.column for g in guess_channels(write_log(tmp_path / "b.csv", named)).channels}
    assert found.items() >= {"accel_x": "Ax", "accel_z": "Az", "gyro_x": "Gx", "gyro_z": "Gz"}.items()
    alone = Log({name.replace("LonG [g]", "Gx [g]"): values for name, values in log.columns.items()})
    found = {g.house: g.column for g in guess_channels(write_log(tmp_path / "a.csv", alone)).channels}
    assert found["accel_x"] == "Gx [g]"


def unitless() -> Log:
    log = plain_log()
    return Log({name.partition(" [")[0]: values for name, values in log.columns.items()}, log.si)


def test_units_are_read_off_the_signal(tmp_path: Path) -> None:
    guesses = guess_channels(write_log(tmp_path / "r.csv", unitless()))
    units = {guess.house: guess.unit for guess in guesses.channels}
    assert units["damper_FL"] == "mm"
    assert units["accel_y"] == "g"
    assert units["accel_z"] == "g"
    assert units["gyro_z"] == "deg/s"
    assert units["speed"] == "km/h"  # by lateral force over yaw rate
    assert guesses.time_unit == "s"
    still = unitless()
    del still.columns["Yaw rate"]
    guesses = guess_channels(write_log(tmp_path / "s.csv", still))
    assert {guess.house: guess.unit for guess in guesses.channels}["speed"] == ""  # km/h and mph look alike
    assert any("speed" in note for note in guesses.notes)


@pytest.mark.parametrize("log", [plain_log(), unitless()], ids=["units", "no units"])
def test_starter_sheets_read_back_and_read_the_log(log: Log, tmp_path: Path) -> None:
    path = write_log(tmp_path / "evening.csv", log)
    sheets = starter_sheets(path)
    for name, text in sheets.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    car, session = read_car(tmp_path / "car.toml"), read_session(tmp_path / "session.toml")
    recording = read_recording(session.runs[0].name, [tmp_path / session.runs[0].logs[0]], car)
    for name in ("damper_FL", "damper_RR", "accel_x", "accel_y", "accel_z", "gyro_z"):
        np.testing.assert_allclose(recording.data[name], log.si[name], atol=6e-5)
    assert sheets["car.toml"].count(MEASURE) > 10
    assert all(
        GUESSED in line
        for line in sheets["car.toml"].splitlines()
        if "column =" in line and not line.startswith("#")
    )


def test_volts_become_a_placeholder_calibration(tmp_path: Path) -> None:
    log = plain_log()
    volts = Log(
        {n.replace("[mm]", "[V]"): 2.5 + v / 40.0 if "pot" in n else v for n, v in log.columns.items()}
    )
    path = write_log(tmp_path / "r.csv", volts)
    text = starter_sheets(path)["car.toml"]
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    channel = read_car(tmp_path / "car.toml").logger.channels["damper_FL"]
    assert channel.volts == [0.5, 4.5]
    assert f"{MEASURE}: the calibration" in text
    recording = read_loose_log(path)
    assert "other_damper_FL" in recording.data
    assert "damper_FL" not in recording.data
    assert any("in volts" in step for step in recording.steps)


@pytest.mark.parametrize(
    "name",
    ['FL "pot" \\ [mm]', "FL pot <b>x</b> [mm]", "FL pot {0} [mm]", "FL pot \x07 # [mm]", "FL pot 🏁 [mm]"],
)
def test_odd_names_stay_harmless_in_sheets(name: str, tmp_path: Path) -> None:
    log = plain_log(10.0)
    columns = {
        ('"' + name.replace('"', '""') + '"' if n.startswith("FL") else n): v for n, v in log.columns.items()
    }
    path = tmp_path / "r.csv"
    path.write_text(text_of(Log(columns)), encoding="utf-8")
    for sheet, text in starter_sheets(path).items():
        (tmp_path / sheet).write_text(text, encoding="utf-8")
    car = read_car(tmp_path / "car.toml")
    read_session(tmp_path / "session.toml")
    recording = read_recording("r", [path], car)
    np.testing.assert_allclose(recording.data["damper_FL"], log.si["damper_FL"], atol=6e-5)


def test_quoting_of_control_characters() -> None:
    assert quoted('a"b\\c\n') == 'a\\"b\\\\c\\u000A'


def test_where_nothing_is_recognised_every_column_is_listed(tmp_path: Path) -> None:
    names = [f"foo {i} [bar]" for i in range(120)]
    path = tmp_path / "r.csv"
    rows = "".join(",".join([f"{i / 10}", *["1"] * 119, f"{i}"]) + "\n" for i in range(20))
    path.write_text(",".join(["Time [s]", *names]) + "\n" + rows)
    started = start_folder(tmp_path / "own", path)
    assert started.recognised == ()
    assert started.left_over == len(names)
    text = (tmp_path / "own" / "car.toml").read_text(encoding="utf-8")
    for name in names:
        assert f'#   "{name}"' in text
    for house in (*(f"damper_{corner}" for corner in POTS), "accel_y", "gyro_x", "speed"):
        assert f"\n# {house} = {{ column = " in text
    # The sheets are valid, and a column put into a line that waits for one is read.
    read_session(tmp_path / "own" / "session.toml")
    filled = text.replace('# damper_FL = { column = "…"', f'damper_FL = {{ column = "{names[-1]}"')
    (tmp_path / "own" / "car.toml").write_text(filled, encoding="utf-8")
    recording = read_recording("r", [path], read_car(tmp_path / "own" / "car.toml"))
    assert np.ptp(recording.data["damper_FL"].dropna()) == pytest.approx(0.019)
    # Without a sheet there is nothing to go by.
    with pytest.raises(LogError, match="none of the columns could be recognised"):
        read_loose_log(path)


BARS = {"bladed": "#:", "formed": ""}


@pytest.mark.parametrize("kind", BARS)
def test_the_bar_is_one_to_measure_and_never_none(kind: str, tmp_path: Path) -> None:
    text = starter_sheets(write_log(tmp_path / "r.csv", plain_log(10.0)))["car.toml"]
    assert 'kind = "none"' not in "".join(line for line in text.splitlines() if not line.startswith("#"))
    lines, in_bar = [], False
    for line in text.splitlines():
        in_bar = line.endswith(".bar]") or (in_bar and line != "" and not line.startswith("["))
        if in_bar and not line.startswith(("#", "[")):
            assert MEASURE in line
            lines += [] if kind == "formed" else [line]
        else:
            lines.append(line.removeprefix("#:").strip() if kind == "formed" else line)
    (tmp_path / "car.toml").write_text("\n".join(lines), encoding="utf-8")
    car = read_car(tmp_path / "car.toml")
    for axle in ("front", "rear"):
        assert car.axle(axle).bar.kind == kind
        rates = [row.rate.value for row in bar_ladder(car, axle).rows]
        assert all(1e3 < rate < 1e6 for rate in rates)


def test_the_set_up_says_how_the_bars_are_set(tmp_path: Path) -> None:
    log = write_log(tmp_path / "r.csv", plain_log(10.0))
    start_folder(tmp_path / "own", log)
    session = load_session(tmp_path / "own")
    assert session.sheet.setups["A"].front_bar.hole == 1
    assert len(session.unmeasured) > 40


SHORT = {
    "shockpot_FL": "damper_FL",
    "SHOCKPOTRR": "damper_RR",
    "Ammo ant sx [mm]": "damper_FL",
    "Sosp. post. dx": "damper_RR",
    "susp_av_g [mm]": "damper_FL",
    "Amort. arr. D (mm)": "damper_RR",
    "Federweg vo li": "damper_FL",
    "amort del izq [mm]": "damper_FL",
    "Curso tras dir": "damper_RR",
    "Schokdemper linksvoor": "damper_FL",
    "Stötdämpare höger bak": "damper_RR",
    "Amortyzator przód lewy [mm]": "damper_FL",
    "Iskunvaimennin taka oikea": "damper_RR",
    "Front LH travel": "damper_FL",
    "yawrate": "gyro_z",
    "LATG": "accel_y",
    "prędkość [km/h]": "speed",
}
SHORT_OTHERS = (
    "Speed FL [km/h]",
    "Vitesse av d",
    "wheelspeedRL",
    "Acc front",
    "Tyre temp ant sx",
    "carpet FL",
)


@pytest.mark.parametrize(("head", "house"), SHORT.items())
def test_short_and_joined_words_are_understood(head: str, house: str) -> None:
    guess = guess_name(read_header_cell(head), 0)
    assert guess is not None
    assert guess.house == house


@pytest.mark.parametrize("head", SHORT_OTHERS)
def test_short_words_alone_are_left_alone(head: str) -> None:
    assert guess_name(read_header_cell(head), 0) is None


CORNER_NAMES = {"FL": "Front Left", "FR": "Front Right", "RL": "Rear Left", "RR": "Rear Right"}


def named_by_corner(names: dict[str, str], volts: bool, together: bool = False) -> Log:
    log = plain_log(20.0)
    columns = {}
    for name, values in log.columns.items():
        corner = name.partition(" ")[0]
        if corner in names:
            read = (
                log.columns["FL pot [mm]"] * (1.0 + 0.01 * list(names).index(corner)) if together else values
            )
            columns[names[corner]] = 2.5 + read / 40.0 if volts else 40.0 + read
        else:
            columns[name] = values
    return Log(columns, log.si)


@pytest.mark.parametrize(
    "names",
    [CORNER_NAMES, {"FL": "ant sx", "FR": "ant dx", "RL": "post sx", "RR": "post dx"}, {c: c for c in POTS}],
)
@pytest.mark.parametrize("volts", [True, False])
def test_columns_named_by_their_corner_alone_are_pots(
    names: dict[str, str], volts: bool, tmp_path: Path
) -> None:
    path = write_log(tmp_path / "r.csv", named_by_corner(names, volts))
    guesses = {guess.house: guess for guess in guess_channels(path).channels}
    for corner, name in names.items():
        assert guesses[f"damper_{corner}"].column == name
        assert guesses[f"damper_{corner}"].in_volts is volts
        # Temperatures may have the size of travel: no unit by that.
        assert guesses[f"damper_{corner}"].unit == ""
    assert "damper_FL" not in read_loose_log(path).data


def test_corners_that_run_together_are_wheels(tmp_path: Path) -> None:
    path = write_log(tmp_path / "r.csv", named_by_corner(CORNER_NAMES, False, together=True))
    guesses = guess_channels(path)
    assert not any(guess.house.startswith("damper_") for guess in guesses.channels)
    assert any("rise and fall together" in note for note in guesses.notes)


def test_a_front_wheel_is_the_speed_where_there_is_no_other(tmp_path: Path) -> None:
    log = plain_log(20.0)
    speed = next(name for name in log.columns if name.startswith("Speed"))
    wheels = {
        f"Wheel speed {c} [km/h]": log.columns[speed] + n for n, c in enumerate(("RL", "RR", "FL", "FR"))
    }
    path = write_log(tmp_path / "both.csv", Log({**log.columns, **wheels}))
    both = {guess.house: guess for guess in guess_channels(path).channels}
    assert both["speed"].column == speed
    assert any('"Wheel speed FL [km/h]" (FL)' in note for note in guess_channels(path).notes)
    alone = {name: values for name, values in log.columns.items() if name != speed} | wheels
    path = write_log(tmp_path / "wheels.csv", Log(alone))
    found = {guess.house: guess for guess in guess_channels(path).channels}
    assert found["speed"].column == "Wheel speed FL [km/h]"
    assert "front wheel" in found["speed"].reason


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("{name} ({unit}, 100 Hz)", "{name} ({unit}, 200 Hz)"),
        ("{name} | {unit} | -60 to 60 | 100 Hz", "{name} | {unit} | -75 to 75 | 50 Hz"),
        ("{name} 100Hz [{unit}]", "{name} 50Hz [{unit}]"),
        ("{name} 0-100mm [{unit}]", "{name} 0-150mm [{unit}]"),
    ],
)
def test_rate_and_range_in_a_name_do_not_keep_the_next_run_out(
    first: str, second: str, tmp_path: Path
) -> None:
    log = plain_log(20.0)

    def written(path: Path, form: str) -> Path:
        names = {n: n.partition(" [")[0] for n in log.columns}
        units = {n: n.partition("[")[2].rstrip("]") for n in log.columns}
        columns = {form.format(name=names[n], unit=units[n]): v for n, v in log.columns.items()}
        path.write_text(text_of(Log({f'"{name}"': values for name, values in columns.items()})), "utf-8")
        return path

    one, two = written(tmp_path / "one.csv", first), written(tmp_path / "two.csv", second)
    (tmp_path / "car.toml").write_text(starter_sheets(one)["car.toml"], encoding="utf-8")
    car = read_car(tmp_path / "car.toml")
    for path in (one, two):
        recording = read_recording("r", [path], car)
        for name in ("damper_FL", "damper_RR", "accel_y", "speed"):
            np.testing.assert_allclose(recording.data[name], log.si[name], atol=6e-5)
    # A sheet that has the whole cell, as it was written before, fits as well; one of another unit does not.
    header = [read_header_cell(second.format(name="FL pot", unit="mm"))]
    assert find_column(header, first.format(name="FL pot", unit="mm"), two, "k") == 0
    assert find_column(header, first.format(name="FL pot", unit="V"), two, "k") is None


def test_log_without_time_asks_for_its_rate(tmp_path: Path) -> None:
    log = plain_log(20.0)
    del log.columns["Time [s]"]
    path = write_log(tmp_path / "r.csv", log)
    # A rate that nobody stated is left open: a number there would be taken for one.
    assert f'# sample_rate = "… Hz" # {MEASURE}' in starter_sheets(path)["car.toml"]


@pytest.mark.parametrize("name", ["Aeg", "Vakt", "ora exacta", "x1", "Aeg [s]"])
def test_time_of_any_name_is_told_by_its_even_rise(name: str, tmp_path: Path) -> None:
    log = plain_log(20.0)
    renamed = Log({name if n.startswith("Time") else n: v for n, v in log.columns.items()}, log.si)
    # A sample count and the distance driven rise as well.
    count = np.arange(len(log.si["speed"]), dtype=np.float64)
    renamed.columns = {"Nr": count, "Distance [m]": np.cumsum(log.si["speed"]) / 100.0, **renamed.columns}
    path = write_log(tmp_path / "r.csv", renamed)
    guesses = guess_channels(path)
    assert guesses.time_column == name
    assert "rise evenly" in guesses.time_reason
    recording = read_recording("r", [path], car_with())
    np.testing.assert_allclose(recording.data["damper_FL"], log.si["damper_FL"], atol=1e-6)
    assert any("rise evenly (logger.channels.time.column)" in step for step in recording.steps)


def test_two_columns_that_rise_evenly_are_not_chosen_between(tmp_path: Path) -> None:
    log = plain_log(20.0)
    time = log.columns.pop("Time [s]")
    path = write_log(tmp_path / "r.csv", Log({"a": time, "b": 2.0 * time, **log.columns}))
    with pytest.raises(LogError, match="no column of time"):
        read_recording("r", [path], car_with())


@pytest.mark.parametrize(("scale", "middle", "what"), [(1 / 40.0, 2.5, "volts"), (20.0, 2048.0, "counts")])
def test_pots_without_a_unit_are_taken_for_a_sensors_scale(
    scale: float, middle: float, what: str, tmp_path: Path
) -> None:
    log = plain_log()
    columns = {
        n.replace(" [mm]", ""): np.round(middle + scale * v, 0 if scale > 1.0 else 4) if "pot" in n else v
        for n, v in log.columns.items()
    }
    path = write_log(tmp_path / "r.csv", Log(columns))
    guesses = {guess.house: guess for guess in guess_channels(path).channels}
    assert all(guesses[f"damper_{c}"].in_volts and what in guesses[f"damper_{c}"].reason for c in POTS)
    text = starter_sheets(path)["car.toml"]
    assert text.count(f"{MEASURE}: the calibration") == 4
    assert "the unit of" not in text
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    ends = read_car(tmp_path / "car.toml").logger.channels["damper_FL"].volts
    assert ends == ([0.5, 4.5] if what == "volts" else [410.0, 3686.0])
    assert "damper_FL" not in read_loose_log(path).data
