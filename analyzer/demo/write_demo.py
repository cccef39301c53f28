"""Write the sample session: sheets as a workshop would write them, logs, and the truth beside them."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from analyzer.core.errors import AnalyzerError
from analyzer.core.files import json_bytes, write_together
from analyzer.demo import sample_session
from analyzer.demo.sample_session import Driven, csv_text
from analyzer.demo.virtual_course import KETTLE_YARD

# The sheets of the sample session as a workshop would write them: near the truth, not equal to it.


CAR_SHEET: Final = """\
# Car sheet. Everything with a unit; the figure after ± is a standard uncertainty.
name = "Teal coupe"
notes = "invented car, for practice with this program"

[mass]
# Scales, driver in.
corner_loads.FL = "331 kgf ± 0.5 kgf"
corner_loads.FR = "329 kgf ± 0.5 kgf"
corner_loads.RL = "283 kgf ± 0.5 kgf"
corner_loads.RR = "287 kgf ± 0.5 kgf"
unsprung = { front = "76 kg ± 2 kg", rear = "88 kg ± 2 kg" } # both wheels of an axle
cg_height = "0.470 m ± 0.008 m" # whole car, tilt test
wheelbase = "2.53 m"

[front]
track_width = "1.540 m ± 2 mm"
roll_centre_height = "45 mm ± 4 mm"
wheel_radius = "0.31 m"
camber_gain = "21 deg/m ± 3 deg/m"
tyre_rate = "230 N/mm ± 4 %"
spring = { rate = "65 N/mm ± 1 %", motion_ratio = "0.932 ± 0.005" }

[front.damper]
bump_stop_gap = "36 mm"
full_bump = "57 mm"
full_droop = "50 mm"
bump_stop_rate.compression = ["0 mm", "5 mm", "10 mm", "15 mm", "20 mm"]
bump_stop_rate.load = ["0 N", "310 N", "750 N", "1310 N", "2000 N"]
rates = { bump = "3200 N s/m ± 5 %", rebound = "5200 N s/m ± 5 %" }

[front.bar]
kind = "bladed"
motion_ratio = "0.495 ± 0.003"
tube.material = "steel"
tube.yield_strength = "900 MPa" # tube and blades heat treated after welding, test piece
tube.outside_diameter = "28 mm"
tube.wall = "3 mm ± 0.05 mm"
tube.length = "0.87 m"
mounts = { spacing = "0.75 m", rate = "20 kN/mm ± 20 %" }
# Invented blades: they bend from the tube's axis, root 0. Of a real bar, measure to the edge of the weld.
blade.material = "spring steel"
blade.depth = "36 mm"
blade.thickness = "7 mm"
blade.root = "0 mm ± 0 mm"
blade.weld_strength = "900 MPa" # as the tube: heat treated after welding, test piece
holes = ["232 mm", "216 mm", "200 mm", "184 mm"] # hole 1 is the outermost, the softest
spacer = { thickness = "6 mm", side = "outboard", most = 3 }
bolt = { diameter = "10 mm", material = "bolt 10.9" }
fitted = { hole = 3, spacers = 0 }

[rear]
track_width = "1.520 m ± 2 mm"
roll_centre_height = "80 mm ± 5 mm"
wheel_radius = "0.315 m"
camber_gain = "20 deg/m ± 3 deg/m"
tyre_rate = "235 N/mm ± 4 %"
spring = { rate = "51 N/mm ± 1 %", motion_ratio = "0.955 ± 0.005" }

[rear.damper]
bump_stop_gap = "45 mm"
full_bump = "53 mm"
full_droop = "52 mm"
bump_stop_rate.compression = ["0 mm", "2 mm", "4 mm", "6 mm", "8 mm"]
bump_stop_rate.load = ["0 N", "100 N", "216 N", "350 N", "504 N"]
rates = { bump = "2600 N s/m ± 5 %", rebound = "4300 N s/m ± 5 %" }

[rear.bar]
kind = "bladed"
motion_ratio = "0.510 ± 0.003"
tube.material = "steel"
tube.yield_strength = "900 MPa" # tube and blades heat treated after welding, test piece
tube.outside_diameter = "24 mm"
tube.wall = "2 mm ± 0.04 mm"
tube.length = "0.83 m"
mounts = { spacing = "0.71 m", rate = "20 kN/mm ± 20 %" }
# Invented blades: they bend from the tube's axis, root 0. Of a real bar, measure to the edge of the weld.
blade.material = "spring steel"
blade.depth = "32 mm"
blade.thickness = "7 mm"
blade.root = "0 mm ± 0 mm"
blade.weld_strength = "900 MPa" # as the tube: heat treated after welding, test piece
holes = ["226 mm", "207 mm", "188 mm"]
spacer = { thickness = "5 mm", side = "outboard", most = 4 }
bolt = { diameter = "10 mm", material = "bolt 10.9" }
fitted = { hole = 2, spacers = 1 }

[logger]
level = ["0.3 s", "2.3 s"] # every run starts standing on level ground
LOGGER_EXTRA
[logger.channels]
time = { column = "Time", unit = "s" }
damper_FL = { column = "FL pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_FR = { column = "FR pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_RL = { column = "RL pot", volts = [0.5, 4.5], travel = ["-80 mm", "80 mm"] }
damper_RR = { column = "RR pot", volts = [0.5, 4.5], travel = ["80 mm", "-80 mm"] } # mounted the other way up
accel_x = { column = "LongG", unit = "g" }
accel_y = { column = "LatG", unit = "g" }
accel_z = { column = "VertG", unit = "g" }
gyro_x = { column = "Roll rate", unit = "deg/s" }
gyro_y = { column = "Pitch rate", unit = "deg/s" }
gyro_z = { column = "Yaw rate", unit = "deg/s" }
speed = { column = "Speed", unit = "km/h" }
steer_angle = { column = "Steer", unit = "deg" } # of the steering wheel, left positive
latitude = { column = "Lat", unit = "deg" }
longitude = { column = "Lon", unit = "deg" }

[logger.imu]
position = { x = "0.12 m", y = "0.03 m", z = "-0.06 m" } # from the sprung CG: forward, left, up
"""

SESSION_SHEET: Final = """\
# Session sheet: two set-ups that differ in the hole of the front bar, three runs each.
name = "Evening practice at Kettle Yard"
car = "car.toml"
course = "course.toml"

[setups.A]
front_bar = { hole = 3, spacers = 0 }
rear_bar = { hole = 2, spacers = 1 }
notes = "as the car came"

[setups.B]
front_bar = { hole = 1, spacers = 0 }
rear_bar = { hole = 2, spacers = 1 }
notes = "front links moved to the outermost hole"
"""

CONDITIONS: Final = (
    ("24 °C", "first pass, careful"),
    ("23 °C", ""),
    ("23 °C", "fast; heard the rear touch in the bowl"),
    ("22 °C", "after the change"),
    ("21 °C", ""),
    ("20 °C", "fast"),
)
"""Track temperature and notes of each run; tyres and fuel are set to the same before every run."""


def session_sheet(runs: list[tuple[str, str]]) -> str:
    """Return the session sheet for runs given as name and set-up."""
    text = SESSION_SHEET
    for (name, setup), (track, notes) in zip(runs, CONDITIONS, strict=True):
        text += f'''
[[runs]]
name = "{name}"
logs = ["{name}.csv.gz"]
setup = "{setup}"

[runs.conditions]
tyre_pressure_front = "190 kPa"
tyre_pressure_rear = "210 kPa"
fuel = "20 l"
track_temperature = "{track}"
driver = "first driver"
notes = "{notes}"
'''
    return text


def car_sheet(logger_extra: str = "") -> str:
    """Return the car sheet; `logger_extra` are further keys of its logger table."""
    return CAR_SHEET.replace("LOGGER_EXTRA\n", logger_extra)


def course_sheet() -> str:
    """Return the course sheet: the stretches of Kettle Yard by distance."""
    text = '# Course sheet: distances count from where the car starts to move.\nname = "Kettle Yard"\n'
    start = 0.0
    for part in KETTLE_YARD:
        end = start + part.length
        text += f'\n[[sections]]\nname = "{part.name}"\nstart = "{start:g} m"\nend = "{end:g} m"\n'
        if part.bank:
            text += f'bank = "{part.bank:g} deg ± 1 deg"\n'
        start = end
    return text


# Writes the sample session: sheets, logs, the truth, and beside them a small session with faults.


FAULTS: Final = "faults"
"""Folder of the session with faults, inside the sample session's folder."""

SHEETS: Final = ("car.toml", "session.toml", "course.toml")

Tell = Callable[[str], None]
STEPS: Final = 5
"""Times that `write_demo` tells what it does."""


def write_demo(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Let the virtual car drive the sample session and write everything to `folder`.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; may hold other files, but none of those to be written.
    seed : int
        The same seed writes the same bytes.
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Path
        The session sheet, ready for `analyzer review`.

    Raises
    ------
    AnalyzerError
        When the folder holds a file that would be overwritten, or cannot be written to.
    """
    tell = progress or (lambda _text: None)
    logs = [f"{name}.csv.gz" for name, _ in sample_session.RUNS]
    refuse_existing(folder, [*SHEETS, "truth.json", *logs])
    refuse_existing(folder / FAULTS, _fault_names())
    driven = sample_session.drive_session(seed, tell)
    tell("finding the true values")
    setups = sample_session.true_values()
    truth = {"setups": setups, "runs": sample_session.run_truth(driven, setups)}
    files = _sheets(session_sheet(list(sample_session.RUNS)), car_sheet())
    files["truth.json"] = json_bytes(_rounded(truth), indent=1, sort_keys=False)
    tell("packing the logs")
    for name, table in zip(logs, driven.logs, strict=True):
        files[name] = packed(csv_text(table))
    files |= {f"{FAULTS}/{name}": content for name, content in _fault_files(driven).items()}
    write_all(folder, files)
    return folder / "session.toml"


def write_faults(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Write only the session with faults to `folder`; otherwise as `write_demo`."""
    refuse_existing(folder, _fault_names())
    write_all(folder, _fault_files(sample_session.drive_session(seed, progress or (lambda _text: None))))
    return folder / "session.toml"


def refuse_existing(folder: Path, names: list[str]) -> None:
    """Raise `AnalyzerError` when one of `names` is already in `folder`."""
    if folder.exists() and not folder.is_dir():
        raise AnalyzerError(f"{folder}: is not a folder; name a folder to write the sample session to")
    taken = [name for name in names if (folder / name).exists()]
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise AnalyzerError(
            f"{folder}: holds {taken[0]}{more} already, nothing was written; name an empty or a new folder"
        )


def write_all(folder: Path, files: dict[str, bytes]) -> None:
    """Write `files` under other names first and move all of them into place at the end."""
    # The session sheets go last: where one stands, all it names stands too.
    last = sorted(files.items(), key=lambda item: Path(item[0]).name == "session.toml")
    try:
        write_together({folder / name: content for name, content in last})
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        raise AnalyzerError(f"{folder}: {reason}; name a folder that can be written to") from error


def packed(text: str) -> bytes:
    """Return `text` gzipped without name and time, so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=buffer, mtime=0) as file:
        file.write(text.encode())
    return buffer.getvalue()


def _fault_names() -> list[str]:
    return [*SHEETS, "f01.csv.gz", "f02.csv.gz"]


def _fault_files(driven: Driven) -> dict[str, bytes]:
    files = _sheets(sample_session.FAULT_SESSION, car_sheet())
    return files | {f"{name}.gz": packed(text) for name, text in sample_session.fault_logs(driven).items()}


def _sheets(session: str, car: str) -> dict[str, bytes]:
    texts = {"car.toml": car, "session.toml": session, "course.toml": course_sheet()}
    return {name: text.encode() for name, text in texts.items()}


def _rounded(value: Any) -> Any:
    """Return nested results as plain numbers of six digits."""
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value
