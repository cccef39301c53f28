"""Sheets: the example of the docs reads; every slip gives one line with file, key and remedy."""

from pathlib import Path

import pytest

from analyzer.core.errors import SheetError
from analyzer.sheets.read import file_beside, read_car, read_course, read_session

CAR = """
name = "Teal coupe"
[mass]
corner_loads = { FL = "331 kgf", FR = "329 kgf", RL = "283 kgf", RR = "287 kgf" }
unsprung = { front = "76 kg", rear = "88 kg" }
cg_height = "0.47 m ± 0.02 m"
wheelbase = "2.53 m"
[front]
track_width = "1.54 m"
roll_centre_height = "45 mm"
wheel_radius = "0.31 m"
camber_gain = "20 deg/m ± 8 deg/m"
tyre_rate = "230 N/mm"
spring = { rate = "73 N/mm", motion_ratio = 0.94 }
damper = { bump_stop_gap = "42 mm", full_bump = "61 mm", bump_stop_rate = "60 N/mm" }
[front.bar]
kind = "bladed"
motion_ratio = 0.58
tube = { material = "4130", outside_diameter = "28 mm", wall = "2.55 mm", length = "0.87 m" }
mounts = { spacing = "0.75 m", rate = "20 kN/mm" }
blade = { material = "spring steel", depth = "36 mm", thickness = "7 mm" }
holes = ["232 mm", "209 mm", "187 mm"]
spacer = { thickness = "6 mm", side = "outboard", most = 4 }
bolt = { diameter = "10 mm" }
[rear]
track_width = "1.53 m"
roll_centre_height = "60 mm"
wheel_radius = "0.31 m"
spring = { rate = "56 N/mm", motion_ratio = 0.97 }
[logger.channels]
damper_FL = { column = "FL pot", volts = [0.5, 4.5], travel = ["-70 mm", "70 mm"] }
accel_y = { column = "LatG", unit = "g" }
[logger.imu]
position = { x = "0.1 m", y = "0 m", z = "0.05 m" }
"""

SESSION = """
name = "Evening practice"
car = "car.toml"
[setups.A]
front_bar = { hole = 1, spacers = 0 }
[setups.B]
front_bar = { hole = 2, spacers = 1 }
[[runs]]
name = "r01"
logs = ["r01.csv"]
setup = "A"
conditions = { tyre_pressure_front = "190 kPa" }
"""

COURSE = """
name = "Kettle Yard"
[[sections]]
name = "bowl"
start = "180 m"
end = "260 m"
bank = "12 deg"
"""


@pytest.fixture
def write(tmp_path):
    def write(text: str, name: str = "sheet.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_car_example_reads_in_si(write):
    car = read_car(write(CAR))
    assert car.mass.cg_height.value == 0.47
    assert car.mass.cg_height.std == pytest.approx(0.02)
    assert car.mass.total_kg == pytest.approx(1230.0)
    assert car.front.bar.kind == "bladed"
    assert car.front.bar.holes[2].value == pytest.approx(0.187)
    assert car.rear.bar.kind == "none"
    assert car.rear.tyre_rate is None
    assert car.logger.channels["damper_FL"].travel[0].value == pytest.approx(-0.07)
    assert car.logger.imu.position.z.value == pytest.approx(0.05)


def test_motion_ratio_and_stop_may_be_tables(write):
    table = CAR.replace(
        "motion_ratio = 0.97",
        'motion_ratio = { wheel = ["-50 mm", "0 mm", "50 mm"], damper = ["-47 mm", "0 mm", "49 mm"] }',
    ).replace('"60 N/mm"', '{ compression = ["0 mm", "10 mm"], load = ["0 N", "900 N"] }')
    car = read_car(write(table))
    assert [w.value for w in car.rear.spring.motion_ratio.wheel] == pytest.approx([-0.05, 0.0, 0.05])
    assert car.front.damper.bump_stop_rate.load[1].value == pytest.approx(900.0)


def test_session_and_course_read(write):
    session = read_session(write(SESSION))
    assert session.runs[0].conditions["tyre_pressure_front"] == "190 kPa"
    assert session.setups["B"].front_bar.spacers == 1
    course = read_course(write(COURSE))
    assert course.sections[0].start.distance_m == pytest.approx(180.0)


CAR_SLIPS = [
    ('"28 mm"', "28", "front.bar.tube.outside_diameter", "28 mm"),
    ('"28 mm"', '"28 kg"', "front.bar.tube.outside_diameter", "28 mm"),
    ("wall =", "wal =", "front.bar.tube.wal", "wall"),
    ("cg_height", "cg_hight", "mass.cg_hight", "cg_height"),
    ('kind = "bladed"', 'kind = "blade"', "front.bar", "bladed"),
    ('"2.55 mm"', '"25.5 mm"', "front.bar.tube", "wall"),
    ("damper_FL", "dmper_FL", "logger.channels", "damper_FL"),
    ("motion_ratio = 0.94", 'motion_ratio = "x"', "front.spring.motion_ratio", "0.94"),
    ("motion_ratio = 0.94", "motion_ratio = 0", "front.spring.motion_ratio", "possible"),
    (
        "motion_ratio = 0.94",
        'motion_ratio = { wheel = ["0 mm", "9"], damper = ["0 mm", "8 mm"] }',
        "front.spring.motion_ratio.wheel[2]",
        "27.5 mm",
    ),
    (
        "motion_ratio = 0.94",
        'motion_ratio = { wheel = ["0 mm", "9 mm"] }',
        "front.spring.motion_ratio.damper",
        "write damper",
    ),
    (
        "motion_ratio = 0.94",
        'motion_ratio = { wheel = ["0 mm", "9 mm"], damper = ["0 mm", "-8 mm"] }',
        "front.spring.motion_ratio",
        "both rise",
    ),
    ('"73 N/mm"', '"73 N"', "front.spring.rate", "65 N/mm"),
    ('"73 N/mm"', '"-73 N/mm"', "front.spring.rate", "65 N/mm"),
    ('"0.47 m ± 0.02 m"', '"0.47 m ± 0.02 kg"', "mass.cg_height", "0.47 m ± 0.02 m"),
    ('"42 mm"', '"62 mm"', "front.damper", "full_bump"),
    ('"209 mm"', '"299 mm"', "front.bar", "outermost"),
    ("volts = [0.5, 4.5]", "volts = [0.5]", "logger.channels.damper_FL", ""),
    ("volts = [0.5, 4.5], ", "", "logger.channels.damper_FL", "go together"),
    *(
        ("volts = [0.5, 4.5]", f"volts = [0.5, {value}]", "logger.channels.damper_FL", "")
        for value in ("inf", "-inf", "nan", "1e300", "9" * 4000)
    ),
    *(
        ('"45 mm"', f'"45 mm ± {value} mm"', "front.roll_centre_height", "measures")
        for value in ("1e30", "1e300", "9" * 150)
    ),
    ('x = "0.1 m"', 'x = "1e30 m"', "logger.imu.position.x", "measures"),
    ("motion_ratio = 0.94", f"motion_ratio = {'9' * 4000}", "front.spring.motion_ratio", "measures"),
    ("motion_ratio = 0.94", f"motion_ratio = {'9' * 4301}", "", "thousands of digits"),
    ("most = 4", f"most = {'9' * 4000}", "front.bar.spacer", ""),
    ('wheelbase = "2.53 m"', "", "mass.wheelbase", "missing"),
    ('track_width = "1.54 m"', 'track_width = "1540 m"', "front.track_width", "1.54 m"),
    ('name = "Teal coupe"', "name = Teal coupe", "", "TOML"),
    # What cannot be built, and what says nothing.
    (
        '"232 mm", "209 mm", "187 mm"',
        '"232 mm", "228 mm", "224 mm"',
        "front.bar",
        "more than the bolt's 10 mm",
    ),
    ('"232 mm", "209 mm", "187 mm"', '"232 mm", "222 mm"', "front.bar", "run into each other"),
    ('thickness = "7 mm" }\n', 'thickness = "7 mm", turn = "400 deg" }\n', "front.bar.blade.turn", "45 deg"),
    ('"20 kN/mm"', '"1e-30 N/mm"', "front.bar.mounts.rate", "20 kN/mm"),
    ('"20 kN/mm"', '"20 kN/mm ± 500 %"', "front.bar.mounts.rate", "100 %"),
    ('"2.55 mm"', '"2.55 mm ± 3 mm"', "front.bar.tube.wall", "larger than itself"),
    # As people write numbers, and keys of another table.
    ('"2.55 mm"', '"2,55 mm"', "front.bar.tube.wall", "write 2.55 mm"),
    ('"2.55 mm"', '"2,55 mm ± 0,05 mm"', "front.bar.tube.wall", "write 2.55 mm ± 0.05 mm"),
    ('"0.87 m"', '"1,000,000.5 um"', "front.bar.tube.length", "write 1000000.5 um"),
    ("motion_ratio = 0.94", 'motion_ratio = 0.94, holes = ["9 mm"]', "front.spring.holes", "BladedBar"),
    ("wall =", "spacing =", "front.bar.tube.spacing", "one of Mounts"),
    ("spacer = {", "spacers = {", "front.bar.spacers: is not a key of this table", "did you mean spacer?"),
    ("most = 4", "mosts = 4", "front.bar.spacer.mosts", "did you mean most?"),
    # Rules of a whole bar stand at the bar, not at the name the checker has for its kind.
    ('"209 mm"', '"299 mm"', "front.bar: holes must run", "longest lever first"),
]


@pytest.mark.parametrize(("old", "new", "key", "remedy"), CAR_SLIPS)
def test_each_slip_is_one_line_with_file_key_and_remedy(write, old, new, key, remedy):
    assert old in CAR
    path = write(CAR.replace(old, new, 1))
    with pytest.raises(SheetError) as caught:
        read_car(path)
    line = str(caught.value)
    assert "\n" not in line
    assert str(path) in line
    assert key in line
    assert remedy in line


FORMED = """kind = "formed"
motion_ratio = 0.6
outside_diameter = "22 mm"
mounts = { left = "330 mm", right = "-330 mm" }
points = [
  { x = "250 mm", y = "480 mm", z = "0 mm" },
  { x = "0 mm", y = "420 mm", z = "0 mm", bend_radius = "40 mm" },
  { x = "0 mm", y = "-420 mm", z = "0 mm", bend_radius = "40 mm" },
  { x = "250 mm", y = "-480 mm", z = "0 mm" },
]
"""
POINTS = FORMED[FORMED.index("points") :]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("", "", None),
        ('"40 mm"', '"5 mm"', "points[2].bend_radius is below the bar's own radius of 11 mm"),
        ('"40 mm"', '"0 mm"', None),
        ("motion_ratio", 'holes = ["232 mm"]\nmotion_ratio', "front.bar.holes: is not a key of this table"),
        ('left = "330 mm"', 'left = "-340 mm"', "mounts.left does not lie further left"),
        (POINTS, "points = []\n", "has 0 entries and needs 3 or more; add what is missing"),
        (POINTS, "points = 3\n", "3 is not a list; write its entries in square brackets"),
        (POINTS, 'points = ["a", "b", "c"]\n', '"a" is not a table'),
    ],
)
def test_slips_of_a_bent_bar(write, old, new, words):
    text = CAR[: CAR.index('kind = "bladed"')] + FORMED.replace(old, new, 1) + CAR[CAR.index("[rear]") :]
    path = write(text)
    if words is None:
        assert read_car(path).front.bar.kind == "formed"
        return
    with pytest.raises(SheetError) as caught:
        read_car(path)
    assert words in str(caught.value)
    assert "did you mean" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"209 mm"', '"299 mm"'),
        ('holes = ["232 mm", "209 mm", "187 mm"]', "holes = []"),
        ('holes = ["232 mm", "209 mm", "187 mm"]', 'holes = "232 mm"'),
        ("most = 4", "most = 40"),
        ("most = 4", "most = -1"),
        ("most = 4", 'most = "four"'),
        ('kind = "bladed"', 'kind = "bladed"\nbench = { rate = "50 N/mm", use = "perhaps" }'),
        ('name = "Teal coupe"', "name = 12"),
        ('mounts = { spacing = "0.75 m", rate = "20 kN/mm" }', "mounts = 5"),
        ('mounts = { spacing = "0.75 m", rate = "20 kN/mm" }', 'mounts = [{ spacing = "0.75 m" }]'),
        ("volts = [0.5, 4.5]", 'volts = ["low", 4.5]'),
        ("volts = [0.5, 4.5]", "volts = [0.5]"),
    ],
)
def test_no_words_of_the_checker_and_no_tables_of_its_language_are_shown(write, old, new):
    assert old in CAR
    with pytest.raises(SheetError) as caught:
        read_car(write(CAR.replace(old, new, 1)))
    line = str(caught.value)
    assert "; " in line
    for words in ("Input", "validation", "should", "List ", "valid ", "instance of", "{'", "['", "None"):
        assert words not in line, line


SESSION_SLIPS = [
    ('setup = "A"', 'setup = "C"', "A, B"),
    ('logs = ["r01.csv"]', "logs = []", "logs"),
    ("hole = 1", "hole = 0", "hole"),
    ("hole = 1", 'hole = "one"', "hole"),
    ("[[runs]]", "[runs]", "runs"),
]


@pytest.mark.parametrize(("old", "new", "word"), SESSION_SLIPS)
def test_session_slips(write, old, new, word):
    path = write(SESSION.replace(old, new, 1))
    with pytest.raises(SheetError) as caught:
        read_session(path)
    assert word in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [('"260 m"', '"160 m"', "behind start"), ('"260 m"', '"12 s"', "both"), ('"180 m"', '"soon"', "180 m")],
)
def test_course_slips(write, old, new, word):
    with pytest.raises(SheetError, match=word):
        read_course(write(COURSE.replace(old, new, 1)))


def test_two_runs_of_one_name_are_refused(write):
    run = SESSION[SESSION.index("[[runs]]") :]
    with pytest.raises(SheetError, match="r01"):
        read_session(write(SESSION + run))


@pytest.mark.parametrize("content", [b"\xff\xfe\x00bad", b"[[[[", b"\x00"])
def test_what_is_no_sheet_is_said(tmp_path, content):
    path = tmp_path / "sheet.toml"
    path.write_bytes(content)
    with pytest.raises(SheetError):
        read_car(path)


def test_missing_file_folder_and_giant(tmp_path):
    with pytest.raises(SheetError, match="no such file"):
        read_car(tmp_path / "none.toml")
    with pytest.raises(SheetError, match="folder"):
        read_car(tmp_path)
    giant = tmp_path / "giant.toml"
    giant.write_bytes(b"#" * 2_000_001)
    with pytest.raises(SheetError, match="too large"):
        read_car(giant)


def test_sheet_with_byte_order_mark_reads(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CAR.encode())
    assert read_car(path).name == "Teal coupe"


def test_files_stay_inside_the_sheets_folder(tmp_path):
    inside = tmp_path / "session"
    inside.mkdir()
    (tmp_path / "secret.csv").write_text("x")
    (inside / "r01.csv").write_text("x")
    (inside / "link.csv").symlink_to(tmp_path / "secret.csv")
    sheet = inside / "session.toml"
    assert file_beside(sheet, "runs[1].logs", "r01.csv") == inside / "r01.csv"
    for name in ("../secret.csv", str(tmp_path / "secret.csv"), "link.csv"):
        with pytest.raises(SheetError, match="outside"):
            file_beside(sheet, "runs[1].logs", name)
    with pytest.raises(SheetError, match="no file"):
        file_beside(sheet, "runs[1].logs", "r02.csv")
