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
from analyzer.ingest.template import GUESSED, MEASURE, quoted, starter_sheets
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
    assert units["speed"] == ""  # km/h and mph look alike
    assert any("speed" in note for note in guesses.notes)
    assert guesses.time_unit == "s"


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


def test_nothing_recognised_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("Time [s],foo,bar\n" + "".join(f"{i / 10},{i},{2 * i}\n" for i in range(20)))
    with pytest.raises(LogError, match="none of the columns could be recognised"):
        starter_sheets(path)


def test_log_without_time_asks_for_its_rate(tmp_path: Path) -> None:
    log = plain_log(20.0)
    del log.columns["Time [s]"]
    path = write_log(tmp_path / "r.csv", log)
    assert f'sample_rate = "100 Hz" # {MEASURE}' in starter_sheets(path)["car.toml"]


@pytest.mark.parametrize("name", ["Zeit", "Temps", "時刻", "x1", "Tid [s]"])
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
