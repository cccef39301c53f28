"""The main job on the sample session, through the command line as a user runs it."""

import gzip
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest


def analyzer(*arguments, cwd=None, cache="off", **options):
    environment = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "ANALYZER_CACHE": str(cache)}
    call = [sys.executable, "-m", "analyzer", *map(str, arguments)]
    return subprocess.run(
        call, cwd=cwd, env=environment, capture_output=True, text=True, timeout=300, **options
    )


def contents(folder):
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def reviewed(sample_session, tmp_path_factory):
    """The sample session reviewed without a cache, with an empty one and with what that one then holds."""
    folder = tmp_path_factory.mktemp("reports")
    before = contents(sample_session)
    outcomes = [
        analyzer("review", sample_session, "--out", folder / name, cache=cache)
        for name, cache in (("first", "off"), ("second", folder / "cache"), ("third", folder / "cache"))
    ]
    return folder, outcomes, before


def test_review_prints_the_answers_and_leaves_the_logs_alone(reviewed, sample_session):
    folder, outcomes, before = reviewed
    assert outcomes[0].returncode == 0, outcomes[0].stderr
    printed = outcomes[0].stdout
    for word in ("Team", "Tuner", "Driver", "r01", "r06", "deg/g", "smallest change", "bowl"):
        assert word in printed
    paths = ("report:", "driver's page:", "look into the runs:")
    assert all(len(line) <= 80 for line in printed.splitlines() if not line.startswith(paths))
    assert "\x1b" not in printed
    assert contents(sample_session) == before
    assert (folder / "first" / "report.html").stat().st_size < 5_000_000


def test_the_answers_are_printed_before_the_figures_are_drawn(sample_session, tmp_path):
    """Into a pipe, too: whoever waits for the verdict reads it while the page is still being made."""
    call = [sys.executable, "-m", "analyzer", "review", str(sample_session), "--out", str(tmp_path / "r")]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True, encoding="utf-8") as process:
        lines = []
        for line in process.stdout:
            lines.append(line)
            if "hardest at the" in line:
                break
        assert any("softened the car as predicted" in line for line in lines)
        assert not (tmp_path / "r").exists()
        rest = process.stdout.read()
    assert process.returncode == 0
    assert rest.splitlines()[-1] == f"report: {tmp_path / 'r' / 'report.html'}"
    assert (tmp_path / "r" / "report.html").is_file()


@pytest.mark.slow
def test_a_reader_who_leaves_early_gets_the_report_all_the_same(sample_session, tmp_path):
    call = [sys.executable, "-m", "analyzer", "review", str(sample_session), "--out", str(tmp_path / "r")]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        complaint = process.stderr.read()
    assert (process.returncode, complaint) == (0, b"")
    assert (tmp_path / "r" / "report.html").is_file()


def test_same_input_gives_the_same_bytes(reviewed):
    folder, outcomes, _ = reviewed
    assert contents(folder / "first") == contents(folder / "second") == contents(folder / "third")
    assert [
        outcome.stdout.replace(name, "first")
        for outcome, name in zip(outcomes, ("first", "second", "third"), strict=True)
    ] == [outcomes[0].stdout] * 3


def test_truth_of_the_virtual_car_lies_in_both_intervals(reviewed, sample_session):
    folder, _, _ = reviewed
    truth = json.loads((sample_session / "truth.json").read_text())["setups"]
    results = json.loads((folder / "first" / "results.json").read_text())
    comparison = results["comparisons"][0]
    before, after = comparison["before"], comparison["after"]
    true_ratio = truth[after]["roll_stiffness"]["front"] / truth[before]["roll_stiffness"]["front"]
    measured, predicted = comparison["stiffness_ratio"], comparison["predicted_ratio"]
    for estimate in (measured, predicted):
        low, high = estimate["interval"]
        assert low <= true_ratio <= high
    # They agree within their stated intervals: the intervals overlap around both values.
    assert measured["interval"][0] <= predicted["value"] <= measured["interval"][1]
    assert comparison["verdict"] == "softened as predicted"


def test_gradients_of_every_run_are_near_the_virtual_cars_own(reviewed, sample_session):
    folder, _, _ = reviewed
    truth = json.loads((sample_session / "truth.json").read_text())["setups"]
    results = json.loads((folder / "first" / "results.json").read_text())
    for run in results["runs"]:
        for axle in ("front", "rear"):
            true = truth[run["setup"]]["roll_gradient"][axle]
            assert run["roll_gradient"][axle]["value"] == pytest.approx(true, rel=0.02)


def test_json_goes_to_standard_output_alone_and_figures_and_pdf_where_asked(sample_session, tmp_path):
    also = ("--figures", tmp_path / "figures", "--figure-format", "png", "--pdf", tmp_path / "page.pdf")
    done = analyzer("review", sample_session, "--out", tmp_path / "r", "--json", "--seed", 3, *also)
    assert done.returncode == 0, done.stderr
    results = json.loads(done.stdout)
    assert results["runs"][0]["name"] == "r01"
    assert results["seed"] == 3
    assert "seed 3 for the random draws" in (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    figures = sorted(file.name for file in (tmp_path / "figures").iterdir())
    assert {"change.png", "course.png"} <= set(figures)
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")


def test_killed_run_leaves_the_previous_report(reviewed, sample_session, tmp_path):
    folder, _, _ = reviewed
    target = tmp_path / "report"
    shutil.copytree(folder / "first", target)
    before = contents(target)
    for delay in (1.0, 2.5, 4.0):
        call = [
            sys.executable,
            "-m",
            "analyzer",
            "review",
            str(sample_session),
            "--out",
            str(target),
            "--seed",
            "3",
        ]
        process = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(delay)
        process.send_signal(signal.SIGKILL)
        ended_by_itself = process.wait() == 0
        after = contents(target)
        assert set(after) == set(before)
        assert ended_by_itself or after == before


def test_an_unusable_log_does_not_stop_the_others(sample_session, tmp_path):
    copy = tmp_path / "session"
    shutil.copytree(sample_session, copy)
    (copy / "r02.csv.gz").write_bytes(b"not a log at all")
    done = analyzer("review", copy, "--out", tmp_path / "r")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "r02.csv.gz" in done.stderr.splitlines()[-1]
    results = json.loads((tmp_path / "r" / "results.json").read_text())
    assert [run["name"] for run in results["runs"]] == ["r01", "r03", "r04", "r05", "r06"]


@pytest.mark.slow
def test_a_missing_log_does_not_stop_the_others(sample_session, tmp_path):
    copy, cache = tmp_path / "session", tmp_path / "cache"
    shutil.copytree(sample_session, copy)
    (copy / "r02.csv.gz").rename(copy / "r2.csv.gz")
    done = analyzer("check", copy, cache=cache)
    assert "r01" in done.stdout
    assert "r02.csv.gz" in done.stderr
    done = analyzer("review", copy, "--out", tmp_path / "r", cache=cache)
    # As a run whose log is there and cannot be read.
    (copy / "r02.csv.gz").write_bytes(b"not a log at all")
    unreadable = analyzer("review", copy, "--out", tmp_path / "u", cache=cache)
    assert done.returncode == unreadable.returncode
    (line,) = done.stderr.splitlines()
    for word in ("session.toml", "runs[2].logs", 'no file "r02.csv.gz"', 'did you mean "r2.csv.gz"?'):
        assert word in line
    results = json.loads((tmp_path / "r" / "results.json").read_text())
    assert [run["name"] for run in results["runs"]] == ["r01", "r03", "r04", "r05", "r06"]
    (left_out,) = results["failed"]
    assert left_out["name"] == "r02"
    assert "did you mean" in left_out["reason"]


@pytest.mark.slow
def test_runs_too_short_for_figures_do_not_stop_the_others(sample_session, tmp_path):
    copy, cache = tmp_path / "session", tmp_path / "cache"
    shutil.copytree(sample_session, copy)
    short = {"r02": 2, "r03": 300, "r05": 600}
    for run, rows in short.items():
        with gzip.open(copy / f"{run}.csv.gz", "rt", encoding="utf-8") as log:
            lines = log.readlines()
        with gzip.open(copy / f"{run}.csv.gz", "wt", encoding="utf-8") as log:
            log.writelines([lines[0], *lines[4000 : 4000 + rows]])
    for arguments in (
        ("check", copy),
        ("review", copy, "--out", tmp_path / "r"),
        ("course", copy, "--out", tmp_path / "c"),
        ("confirm", copy, "--before", "A", "--after", "B"),
    ):
        done = analyzer(*arguments, cache=cache)
        assert done.returncode == 0, done.stderr
    runs = json.loads((tmp_path / "r" / "results.json").read_text())["runs"]
    assert [run["name"] for run in runs] == ["r01", "r02", "r03", "r04", "r05", "r06"]
    for run in runs:
        total = run["roll_gradient"]["total"]
        if run["name"] in short:
            assert total["value"] is None
            assert total["notes"]
        else:
            assert total["value"] > 0.0


@pytest.mark.slow
def test_a_car_without_yaw_rate_is_reviewed(sample_session, tmp_path):
    copy, cache = tmp_path / "session", tmp_path / "cache"
    shutil.copytree(sample_session, copy)
    sheet = (copy / "car.toml").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in sheet if not line.startswith("gyro_z")]
    assert len(kept) == len(sheet) - 1
    (copy / "car.toml").write_text("".join(kept), encoding="utf-8")
    for arguments in (
        ("review", copy, "--out", tmp_path / "r"),
        ("course", copy, "--out", tmp_path / "c"),
        ("confirm", copy, "--before", "A", "--after", "B"),
    ):
        done = analyzer(*arguments, cache=cache)
        assert done.returncode == 0, done.stderr
    for run in json.loads((tmp_path / "r" / "results.json").read_text())["runs"]:
        assert run["roll_gradient"]["total"]["value"] > 0.0
        assert "no usable yaw rate" in run["further"]["damper_lag"]["notes"][0]


SLIPS = [
    ("session.toml", 'car = "car.toml"', 'car = "../car.toml"', "outside"),
    ("session.toml", 'car = "car.toml"', 'car = "coupe.toml"', "coupe.toml"),
    ("session.toml", "hole = 3", "hole = 9", "hole"),
    ("car.toml", 'kind = "bladed"', 'kind = "magic"', "kind"),
]


@pytest.mark.parametrize(("name", "old", "new", "word"), SLIPS)
def test_a_slip_in_a_sheet_is_one_line(sample_session, tmp_path, name, old, new, word):
    copy = tmp_path / "session"
    shutil.copytree(sample_session, copy)
    text = (copy / name).read_text(encoding="utf-8")
    assert old in text
    (copy / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    done = analyzer("review", copy, "--out", tmp_path / "r")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert name in done.stderr
    assert word in done.stderr
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("review",),
        ("review", "nothing.toml"),
        ("revue", "x"),
        ("check", "nothing.csv"),
        ("bar", "nothing.toml"),
        ("bar", "nothing.toml", "--axle", "middle"),
        ("review", "x", "--nonsense"),
    ],
)
def test_bad_arguments_are_one_line(arguments, tmp_path):
    done = analyzer(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == ""


def test_check_names_the_faults_and_strict_fails(sample_session):
    done = analyzer("check", sample_session / "faults")
    assert done.returncode == 0, done.stderr
    for word in ("damper_FR", "inverted", "stuck", "gap", "spikes"):
        assert word in done.stdout
    assert analyzer("check", sample_session / "faults", "--strict").returncode == 1
    assert analyzer("check", sample_session, "--strict").returncode == 0


def test_bar_lists_every_setting(sample_session):
    table = json.loads(analyzer("bar", sample_session / "car.toml", "--json").stdout)
    settings = table["axles"]["front"]["settings"]
    assert len(settings) == len({(s["hole"], s["spacers"]) for s in settings}) >= 9
    for setting in settings:
        total = sum(setting["compliance"].values())
        assert setting["rate"]["value"] == pytest.approx(1.0 / total, rel=1e-6)


def test_demo_refuses_to_overwrite(tmp_path):
    (tmp_path / "session.toml").write_text("mine")
    done = analyzer("demo", tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "session.toml").read_text() == "mine"


def test_start_writes_sheets_that_read(sample_session, tmp_path):
    folder = tmp_path / "own"
    log = sample_session / "r01.csv.gz"
    done = analyzer("start", folder, "--from", log)
    assert done.returncode == 0, done.stderr
    assert (folder / log.name).read_bytes() == log.read_bytes()
    assert "GUESS" in (folder / "car.toml").read_text(encoding="utf-8")
    assert analyzer("check", folder).returncode == 0
    again = analyzer("start", folder, "--from", log)
    assert again.returncode == 2
    assert len(again.stderr.splitlines()) == 1


def test_confirm_and_choose_answer(sample_session, tmp_path):
    copy, cache = tmp_path / "session", tmp_path / "cache"
    shutil.copytree(sample_session, copy)
    done = analyzer("confirm", copy, "--before", "A", "--after", "B", "--calibrate", "--json", cache=cache)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["verdict"] == "softened as predicted"
    assert (copy / "calibrated_car.json").is_file()
    done = analyzer("choose", copy, "--wish", "rear 5 % softer", cache=cache)
    assert done.returncode == 0, done.stderr
    assert "rear bar" in done.stdout
    for arguments in (
        ("confirm", copy, "--before", "A", "--after", "Z"),
        ("choose", copy, "--wish", "faster please"),
        ("choose", copy / "car.toml", "--wish", "no rear bar", "--from", "A"),
    ):
        done = analyzer(*arguments, cache=cache)
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
