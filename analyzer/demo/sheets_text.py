"""The sheets of the sample session as a workshop would write them: near the truth, not equal to it."""

from __future__ import annotations

from typing import Final

from analyzer.demo.course import KETTLE_YARD

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
spring = { rate = "7 kgf/mm ± 1 %", motion_ratio = "0.920 ± 0.005" }

[front.damper]
bump_stop_gap = "36 mm"
full_bump = "56 mm"
full_droop = "55 mm"
bump_stop_rate.compression = ["0 mm", "5 mm", "10 mm", "15 mm", "20 mm"]
bump_stop_rate.load = ["0 N", "310 N", "750 N", "1310 N", "2000 N"]
rates = { bump = "3200 N s/m ± 5 %", rebound = "5200 N s/m ± 5 %" }

[front.bar]
kind = "bladed"
motion_ratio = "0.480 ± 0.003"
tube.material = "4130"
tube.yield_strength = "900 MPa" # tube and blades hardened and tempered after welding, test piece
tube.outside_diameter = "31.75 mm"
tube.wall = "2.41 mm ± 0.04 mm"
tube.length = "0.90 m"
mounts = { spacing = "0.78 m", rate = "20 kN/mm ± 20 %" }
blade = { material = "spring steel", depth = "38 mm", thickness = "8 mm" }
holes = ["254 mm", "235 mm", "216 mm"] # hole 1 is the outermost, the softest
spacer = { thickness = "8 mm", side = "outboard", most = 4 }
bolt = { diameter = "12 mm", material = "bolt 10.9" }
fitted = { hole = 3, spacers = 0 }

[rear]
track_width = "1.520 m ± 2 mm"
roll_centre_height = "80 mm ± 5 mm"
wheel_radius = "0.315 m"
camber_gain = "20 deg/m ± 3 deg/m"
tyre_rate = "235 N/mm ± 4 %"
spring = { rate = "5 kgf/mm ± 1 %", motion_ratio = "0.960 ± 0.005" }

[rear.damper]
bump_stop_gap = "46 mm"
full_bump = "54 mm"
full_droop = "60 mm"
bump_stop_rate.compression = ["0 mm", "2 mm", "4 mm", "6 mm", "8 mm"]
bump_stop_rate.load = ["0 N", "100 N", "216 N", "350 N", "504 N"]
rates = { bump = "2600 N s/m ± 5 %", rebound = "4300 N s/m ± 5 %" }

[rear.bar]
kind = "bladed"
motion_ratio = "0.500 ± 0.003"
tube.material = "4130"
tube.yield_strength = "900 MPa" # tube and blades hardened and tempered after welding, test piece
tube.outside_diameter = "25.4 mm"
tube.wall = "2.11 mm ± 0.04 mm"
tube.length = "0.86 m"
mounts = { spacing = "0.74 m", rate = "20 kN/mm ± 20 %" }
blade = { material = "spring steel", depth = "38 mm", thickness = "8 mm" }
holes = ["240 mm", "220 mm", "200 mm"]
spacer = { thickness = "8 mm", side = "outboard", most = 4 }
bolt = { diameter = "12 mm", material = "bolt 10.9" }
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
# Session sheet: two set-ups that differ in one hole of the front bar, three runs each.
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
