"""A review made up by hand: every shape the report must show, without any log behind it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer.comparison.results import ChangeVerdict, Comparison, Ledger, SetupResult, VerdictReason
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.units import AXLES, CORNERS, STANDARD_GRAVITY
from analyzer.ingest.recording import HealthRow, Recording, SourceFile, Verdict
from analyzer.prediction.results import (
    BarPrediction,
    ChangePrediction,
    LoadTransfer,
    SetupPrediction,
)
from analyzer.processing.results import (
    AxleFit,
    BottomingEvent,
    Difference,
    LightTime,
    LoadShare,
    Motion,
    RunEstimates,
    Split,
    TravelBudget,
)
from analyzer.session.review import Review, Session
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, SessionSheet

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
spring = { rate = "75 N/mm", motion_ratio = 0.94 }
damper = { bump_stop_gap = "42 mm", full_bump = "61 mm", bump_stop_rate = "60 N/mm" }
[rear]
track_width = "1.52 m"
roll_centre_height = "90 mm"
wheel_radius = "0.31 m"
spring = { rate = "57 N/mm", motion_ratio = 0.94 }
damper = { bump_stop_gap = "46 mm", full_bump = "66 mm" }
"""

COURSE = """
name = "Kiln Yard loop"
[[sections]]
name = "Run-up"
start = "0 m"
end = "70 m"
[[sections]]
name = "Entry"
start = "70 m"
end = "120 m"
[[sections]]
name = "Link"
start = "120 m"
end = "230 m"
[[sections]]
name = "Bowl"
start = "230 m"
end = "330 m"
bank = "14 deg"
"""

RATE = 100.0
DURATION = 24.0
SPEED = 15.0


def estimate(value: float, unit: str, error: float, n: int = 8, notes: tuple[str, ...] = ()) -> Estimate:
    return Estimate(
        value=value,
        unit=unit,
        std_error=error,
        interval=(value - 2.0 * error, value + 2.0 * error),
        n=n,
        method="blocks of one corner",
        notes=notes,
    )


@dataclass(frozen=True)
class Options:
    """What a test wants of its review."""

    session: str = "Evening practice"
    car: str = "Teal coupe"
    section: str = "Bowl"
    channel: str = "damper_RR"
    runs: tuple[str, ...] = ("r01", "r02", "r03", "r04", "r05", "r06")
    setups: tuple[str, ...] = ("A", "B")
    course: bool = True
    unknown: bool = False
    compared: bool = True
    bottomed: bool = True
    failed: tuple[tuple[str, str], ...] = ()
    verdict: ChangeVerdict = ChangeVerdict.AS_PREDICTED
    speed: bool = True


def make_review(folder: Path, options: Options | None = None) -> Review:
    """Return a review whose sheets lie in `folder`."""
    wanted = options or Options()
    session = _session(folder, wanted)
    per_setup = max(1, len(wanted.runs) // len(wanted.setups))
    rng = np.random.default_rng(11)
    recordings, runs = [], []
    for index, name in enumerate(wanted.runs):
        place = min(index // per_setup, len(wanted.setups) - 1)
        recording, run = _run(folder, name, wanted.setups[place], place, wanted, rng)
        recordings.append(recording)
        runs.append(run)
    setups = tuple(
        _setup(name, place, tuple(run.name for run in runs if run.setup == name), wanted)
        for place, name in enumerate(wanted.setups)
    )
    return Review(
        session=session,
        recordings=tuple(recordings),
        runs=tuple(runs),
        failed={name: AnalyzerError(why) for name, why in wanted.failed},
        setups=setups,
        comparisons=_comparisons(wanted) if wanted.compared else (),
    )


def _session(folder: Path, wanted: Options) -> Session:
    for file, text in (("car.toml", CAR), ("session.toml", "name = 'x'\n"), ("course.toml", COURSE)):
        (folder / file).write_text(text, encoding="utf-8")
    car = CarSheet.model_validate({**tomllib.loads(CAR), "name": wanted.car})
    course = tomllib.loads(COURSE)
    course["sections"][-1]["name"] = wanted.section
    names = [*wanted.runs, *(name for name, _ in wanted.failed)]
    sheet = SessionSheet.model_validate(
        {
            "name": wanted.session,
            "car": "car.toml",
            "course": "course.toml" if wanted.course else None,
            "setups": {name: {} for name in wanted.setups},
            "runs": [
                {"name": name, "logs": ["r.csv"], "setup": wanted.setups[0], "conditions": {"fuel": "18 l"}}
                for name in names
            ],
        }
    )
    return Session(
        path=folder / "session.toml",
        car_path=folder / "car.toml",
        sheet=sheet,
        car=car,
        course=CourseSheet.model_validate(course) if wanted.course else None,
        logs=dict.fromkeys(names, (folder / "r.csv",)),
    )


def _run(
    folder: Path, name: str, setup: str, place: int, wanted: Options, rng: np.random.Generator
) -> tuple[Recording, RunEstimates]:
    motion, dampers = _motion(place, wanted, rng)
    front, rear = 1.92 * (1.0 + 0.06 * place), 1.71 * (1.0 + 0.039 * place)
    jitter = 1.0 + 0.003 * rng.standard_normal()
    body = {"front": front * jitter, "rear": rear * jitter}
    if wanted.unknown:
        gradient = {key: Estimate.unknown("deg/g", "no lateral force above 0.3 g") for key in body}
        shares: dict = {}
        loads = pd.DataFrame(index=motion.data.index)
    else:
        gradient = {key: estimate(value, "deg/g", 0.012) for key, value in body.items()}
        loads = _loads(motion, dampers)
        shares = {
            axle: LoadShare(
                left_share=estimate(0.512 - 0.008 * (axle == "rear"), "1", 0.004),
                lowest_load=estimate(612.0, "N", 31.0),
                light_time=Estimate(0.031, "1", notes=("a share of time has no error",)),
                evenness=estimate(0.74, "1", 0.011),
                light=(LightTime(0.2, estimate(0.031, "1", 0.008), estimate(0.37, "s", 0.1)),),
                lowest_corner="FL" if axle == "front" else "RL",
                lowest_at=4.5,
            )
            for axle in AXLES
        }
    recording = Recording(
        run=name,
        data=pd.DataFrame(dampers, index=motion.data.index),
        suspect=pd.DataFrame(False, index=motion.data.index, columns=list(dampers)),
        sample_rate=RATE,
        sources=(SourceFile(folder / "r.csv", "ab" * 32, 123456),),
        health=_health(wanted.channel),
        steps=("read 2400 rows", "zeroed at 0 s to 2 s"),
    )
    run = RunEstimates(
        name=name,
        setup=setup,
        roll_gradient={**gradient, "total": _total(gradient)},
        roll_gradient_body=gradient,
        fits={} if wanted.unknown else {a: _fit(motion, a, body[a]) for a in AXLES},
        load_share=shares,
        loads=loads,
        bottoming=_events(wanted, motion, rng) if wanted.bottomed else (),
        motion=motion,
        further={"roll_stiffness_ratio": estimate(0.985, "1", 0.011), "friction": estimate(41.0, "N", 6.0)},
        notes=("range of lateral force 0.2 g to 1.0 g",),
        stops={
            axle: Estimate(gap, "mm", method="car sheet") for axle, gap in (("front", 42.0), ("rear", 46.0))
        },
        splits=() if wanted.unknown else tuple(_split(name, body) for name in ("early", "late")),
        differences=()
        if wanted.unknown
        else (
            Difference(
                "roll_gradient_body",
                "front",
                "early",
                "late",
                estimate(0.2, "deg/g", 0.03),
                True,
            ),
        ),
    )
    return recording, run


def _split(name: str, body: dict[str, float]) -> Split:
    return Split(
        kind="time",
        name=name,
        seconds=10.5,
        roll_gradient_body={axle: estimate(value, "deg/g", 0.02) for axle, value in body.items()},
        left_share={axle: estimate(0.512, "1", 0.006) for axle in AXLES},
        share_slope={axle: estimate(-0.31, "1", 0.004) for axle in AXLES},
    )


def _total(gradient: dict[str, Estimate]) -> Estimate:
    front = gradient["front"]
    return front if front.value is None else estimate(front.value * 1.4, "deg/g", 0.03)


def _motion(place: int, wanted: Options, rng: np.random.Generator) -> tuple[Motion, dict[str, np.ndarray]]:
    time = np.arange(int(DURATION * RATE)) / RATE
    moving = (time > 2.0) & (time < 23.0)
    smooth = np.convolve(moving.astype(float), np.ones(50) / 50.0, mode="same")
    lateral = smooth * 8.5 * np.sin(2.0 * np.pi * (time - 2.0) / 6.0)
    roll = {
        "front": np.radians(1.92 * (1 + 0.06 * place)) * lateral / STANDARD_GRAVITY,
        "rear": np.radians(1.71 * (1 + 0.039 * place)) * lateral / STANDARD_GRAVITY,
    }
    bank = np.radians(14.0) * np.exp(-(((time - 19.0) / 2.0) ** 2))
    heave = 0.024 * np.exp(-(((time - 19.0) / 2.0) ** 2)) + smooth * 0.0025 * rng.standard_normal(time.size)
    wheels = {
        "wheel_FL": heave - roll["front"] * 0.77,
        "wheel_FR": heave + roll["front"] * 0.77,
        "wheel_RL": heave - roll["rear"] * 0.76,
        "wheel_RR": heave + roll["rear"] * 0.76,
    }
    columns = {
        **wheels,
        "roll_front": roll["front"] + 0.0008 * rng.standard_normal(time.size),
        "roll_rear": roll["rear"] + 0.0008 * rng.standard_normal(time.size),
        "specific_force_y": lateral + 0.15 * rng.standard_normal(time.size),
        "bank": bank,
    }
    if wanted.speed:
        columns["speed"] = SPEED * smooth
        columns["distance"] = np.cumsum(SPEED * smooth) / RATE
    data = pd.DataFrame(columns, index=pd.Index(time, name="time_s"))
    suspect = pd.DataFrame(False, index=data.index, columns=data.columns)
    motion = Motion(
        data, suspect, pd.Series(~moving, index=data.index), steps=("low-passed everything at 8 Hz",)
    )
    dampers = {f"damper_{c}": 0.94 * wheels[f"wheel_{c}"] for c in CORNERS}
    dampers["damper_FR"] = dampers["damper_FR"] + 0.022 * np.exp(-(((time - 18.7) / 0.3) ** 2))
    return motion, dampers


def _loads(motion: Motion, dampers: dict[str, np.ndarray]) -> pd.DataFrame:
    loads = {f"load_{c}": 3000.0 + 60000.0 * dampers[f"damper_{c}"] for c in CORNERS}
    for axle, left, right in (("front", "FL", "FR"), ("rear", "RL", "RR")):
        loads[f"left_share_{axle}"] = loads[f"load_{left}"] / (loads[f"load_{left}"] + loads[f"load_{right}"])
    return pd.DataFrame(loads, index=motion.data.index)


def _fit(motion: Motion, axle: str, gradient: float) -> AxleFit:
    data = motion.data[~motion.parked].iloc[::5]
    points = pd.DataFrame({"lateral_force": data["specific_force_y"], "roll": data[f"roll_{axle}"]})
    slope = float(np.radians(gradient) / STANDARD_GRAVITY)
    return AxleFit(points.reset_index(drop=True), slope, 0.0004, (-8.0, 8.0))


def _events(wanted: Options, motion: Motion, rng: np.random.Generator) -> tuple[BottomingEvent, ...]:
    scale = 1.0 + 0.04 * rng.standard_normal()
    return (
        BottomingEvent(
            "FR", 18.55, 18.91, 18.70, 0.0482 * scale, 0.0482 * scale - 0.042, 0.31, False,
            float(np.radians(13.6)), wanted.section, TravelBudget(
                0.0226, 0.0148, 0.0031, 0.0077,
                {"vertical load": 0.021, "roll": 0.014, "pitch": 0.003, "warp": 0.001, "road": 0.0092},
            ),
            peak_error=0.0002, distance=212.0, speed=16.4, jolt=3.1, seen=True, lateral_kept=0.93,
            vertical_acceleration=0.4,
        ),
        BottomingEvent(
            "RR", 19.00, 19.12, 19.05, 0.0661 * scale, 0.0661 * scale - 0.046, 0.52, True,
            None, "left, banked", None,
        ),
    )  # fmt: skip


def _health(channel: str) -> tuple[HealthRow, ...]:
    return (
        HealthRow("stuck", channel, Verdict.SUSPECT, 1.4, 0.5, "s", "the pot stood still; look at its plug"),
        HealthRow("gap", "time", Verdict.GOOD, 0.01, 0.05, "s", "no gap"),
        HealthRow("sign", "accel_y", Verdict.NOT_TESTED, None, None, "", "no gyro to hold it against"),
    )


def _prediction(name: str, place: int, unknown: bool) -> SetupPrediction:
    def known(value: float, unit: str, error: float) -> Estimate:
        return (
            Estimate.unknown(unit, "the sheet states no motion ratio")
            if unknown
            else estimate(value, unit, error)
        )

    front = 560.0 - 60.0 * place
    return SetupPrediction(
        name=name,
        bars={
            "front": BarPrediction(
                f"hole {2 - place}, no spacers",
                known(42000.0 - 5000.0 * place, "N/m", 900.0),
                {"tube torsion": 1.5e-5, "blade bending": 0.6e-5, "bearings": 0.1e-5},
                Estimate(1.6 - 0.1 * place, "1", notes=("no error: made by hand",)),
            )
        },
        roll_stiffness={
            "front": known(front, "N m/deg", 11.0),
            "rear": known(410.0, "N m/deg", 8.0),
            "total": known(front + 410.0, "N m/deg", 14.0),
        },
        roll_gradient={"front": known(1.90, "deg/g", 0.05), "rear": known(1.70, "deg/g", 0.05)},
        roll_gradient_body={
            "front": known(1.88 * (1 + 0.057 * place), "deg/g", 0.05),
            "rear": known(1.69 * (1 + 0.037 * place), "deg/g", 0.05),
        },
        load_transfer={
            "front": LoadTransfer(
                *(known(v, "N/g", e) for v, e in ((900.0, 30.0), (210.0, 9.0), (150.0, 5.0), (1260.0, 33.0)))
            )
        },
        front_share=known(0.56 - 0.02 * place, "1", 0.01),
        assumed=("front camber gain 20 deg/m ± 15 deg/m: not in the sheet",),
    )


def _setup(name: str, place: int, runs: tuple[str, ...], wanted: Options) -> SetupResult:
    prediction = _prediction(name, place, wanted.unknown)
    if wanted.unknown:
        measured = {"roll_gradient_body_front": Estimate.unknown("deg/g", "no run could be fitted")}
        missing = Estimate.unknown("1", "nothing measured")
        ledger = (
            Ledger(
                "roll gradient front",
                measured["roll_gradient_body_front"],
                prediction.roll_gradient_body["front"],
                missing,
                Estimate.unknown("deg/g", "nothing measured"),
                None,
            ),
        )
        return SetupResult(name, runs, measured, prediction, ledger)
    front, rear = 1.92 * (1 + 0.06 * place), 1.71 * (1 + 0.039 * place)
    measured = {
        "roll_gradient_front": estimate(front * 1.03, "deg/g", 0.01, n=3),
        "roll_gradient_rear": estimate(rear * 1.03, "deg/g", 0.01, n=3),
        "roll_gradient_total": estimate(front * 1.4, "deg/g", 0.03, n=3),
        "roll_gradient_body_front": estimate(front, "deg/g", 0.01, n=3),
        "roll_gradient_body_rear": estimate(rear, "deg/g", 0.01, n=3),
        "roll_stiffness_front": estimate(548.0 - 57.0 * place, "N m/deg", 9.0, n=3),
        "left_share_front": estimate(0.512, "1", 0.004, n=3),
        "left_share_rear": estimate(0.504, "1", 0.004, n=3),
    }
    ledger = tuple(
        Ledger(
            f"roll gradient {axle}",
            measured[f"roll_gradient_body_{axle}"],
            prediction.roll_gradient_body[axle],
            estimate(1.02 - 0.05 * (axle == "rear"), "1", 0.027),
            estimate(0.04 - 0.12 * (axle == "rear"), "deg/g", 0.05),
            axle == "front",
        )
        for axle in AXLES
    )
    return SetupResult(name, runs, measured, prediction, ledger)


def _comparisons(wanted: Options) -> tuple[Comparison, ...]:
    found = []
    for before, after in zip(wanted.setups, wanted.setups[1:], strict=False):
        ratio, predicted = estimate(0.896, "1", 0.008, n=6), estimate(0.893, "1", 0.006)
        if wanted.unknown:
            ratio = Estimate.unknown("1", "set-up B has no usable run")
        change = ChangePrediction(
            before,
            after,
            ("front",),
            {"front": predicted, "rear": Estimate(1.0, "1", std_error=0.0, interval=(1.0, 1.0))},
            {"front": estimate(-60.0, "N m/deg", 4.0)},
            predicted,
            {"front": estimate(1.057, "1", 0.004)},
        )
        found.append(
            Comparison(
                before=before,
                after=after,
                axle="front",
                stiffness_ratio=ratio,
                predicted_ratio=predicted,
                stiffness_change=replace(change.stiffness_change["front"], value=-57.0),
                predicted_change=change.stiffness_change["front"],
                gradient_ratio={
                    "front": estimate(1.060, "1", 0.003),
                    "rear": estimate(1.039, "1", 0.003),
                },
                front_over_rear=estimate(0.899, "1", 0.005),
                verdict=ChangeVerdict.CANNOT_TELL if wanted.unknown else wanted.verdict,
                smallest_visible=Estimate(0.024, "1", notes=("from the scatter of six runs",)),
                reason=VerdictReason(
                    ChangeVerdict.AS_PREDICTED, ChangeVerdict.AS_PREDICTED, -0.1, -0.1, 0.02
                ),
                differences=("tyre pressure front: 190 kPa before, 195 kPa after",),
                prediction=change,
            )
        )
    return tuple(found)
