"""Roll stiffness from measured roll: the equation of roll read backwards.

In steady state, body axes and for any bank, the springs and bars carry M f_y, so that with roll s per lateral
specific force at each axle

    K_f s_f + K_r s_r = M

One equation cannot give two stiffnesses. An axle's own stiffness comes from it with the other axle's taken
from the sheet, K_f = (M - K_r s_r) / s_f; the car's comes from it with the split of the sheet,
K = M / (q_f s_f + q_r s_r), q being each axle's part of the predicted stiffness.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final, Literal, Protocol, TypeVar

import numpy as np

from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import Floats
from analyzer.core.units import AXLES, DEG_PER_RAD, STANDARD_GRAVITY, Axle
from analyzer.prediction.results import SetupPrediction
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.vehicle.axle import mass_properties, relative_spread, static_motion_ratio, tyre_roll_compliance
from analyzer.vehicle.completion import with_tolerances

Target = Literal["front", "rear", "total"]
TARGETS: Final[tuple[Target, ...]] = ("front", "rear", "total")

STIFFNESS_UNIT: Final = "N m/deg"
GRADIENT_UNIT: Final = "deg/g"
MOMENT_KEPT: Final = "roll_moment_kept"
WRONG_SIGN: Final = "roll against lateral force has the wrong sign; check pots and accelerometer"


class RollFigures(Protocol):
    """What roll stiffness needs of a run: `RunEstimates`, or the figures of one that were stored."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def roll_gradient_body(self) -> dict[str, Estimate]: ...  # noqa: D102
    @property
    def further(self) -> dict[str, Estimate]: ...  # noqa: D102


_Run = TypeVar("_Run", bound=RollFigures)


@dataclass(frozen=True, slots=True)
class RollSheet:
    """What the sheet says about roll at one set-up; numbers, or arrays while tolerances are carried through.

    Parameters
    ----------
    moment : float or ndarray
        M g [N m per g of lateral specific force].
    stiffness : dict
        Axle -> roll stiffness K [N m/deg].
    gradient : dict
        Axle -> roll per lateral specific force in body axes s [deg/g].
    tyres : dict
        Axle -> roll on its tyres per moment that springs and bars carry c [deg/(N m)]; 0 on rigid ones.
    """

    moment: float | Floats
    stiffness: dict[Axle, float | Floats]
    gradient: dict[Axle, float | Floats]
    tyres: dict[Axle, float | Floats]


def tyre_roll(car: CarSheet) -> dict[Axle, Floats]:
    """Return axle -> roll on its tyres per moment [deg/(N m)]; arrays where the sheet holds arrays."""
    return {axle: tyre_roll_compliance(car.axle(axle)) * DEG_PER_RAD for axle in AXLES}


def roll_sheet(car: CarSheet, prediction: SetupPrediction) -> RollSheet:
    """Return moment, stiffness and gradient at the sheet's own figures."""
    return RollSheet(
        moment=mass_properties(car).elastic_moment * STANDARD_GRAVITY,
        stiffness={a: _value(prediction.roll_stiffness[a]) for a in AXLES},
        gradient={a: _value(prediction.roll_gradient_body[a]) for a in AXLES},
        tyres={a: float(c) for a, c in tyre_roll(car).items()},
    )


def _value(estimate: Estimate) -> float:
    return math.nan if estimate.value is None else estimate.value


def both_axles(
    target: Target, measured: Mapping[Axle, float | Floats], sheet: RollSheet
) -> dict[Axle, float | Floats] | None:
    """Return s of both axles; the one that was not measured follows from the other, None when neither was.

    Both axles hang on one shell. Where the stiffness of the measured axle is asked for, a bar there that is
    not as the sheet says moves s of the two along a line: s_a + c_a K_a s_a and s_o + c_o K_o s_o change
    alike, and K_a s_a + K_o s_o = M, so with s_a0 and s_o0 of the sheet

        s_o - s_o0 = (s_a - s_a0) / (1 + K_o (c_a + c_o))

    It holds K_o and the tyres alone. The plain ratio s_o0 / s_a0 would hold the predicted K_a, too, and
    overstate what differs from it by up to a fifth. For the other axle and the whole car nothing tells which
    end differs, and the ratio is taken.
    """
    if not measured:
        return None
    full = dict(measured)
    for axle, other in (("front", "rear"), ("rear", "front")):
        if axle in full or other not in measured:
            continue
        own, missing = sheet.gradient[other], sheet.gradient[axle]  # type: ignore[index]
        if target == other:
            both = sheet.tyres["front"] + sheet.tyres["rear"]
            follows = 1.0 + sheet.stiffness[axle] * both  # type: ignore[index]
            full[axle] = missing + (measured[other] - own) / follows  # type: ignore[index]
        else:
            full[axle] = measured[other] * missing / own  # type: ignore[index]
    return full


def stiffness(target: Target, measured: Mapping[Axle, float | Floats], sheet: RollSheet) -> float | Floats:
    """Return the roll stiffness of an axle or of the car [N m/deg] from measured roll.

    Parameters
    ----------
    target : {"front", "rear", "total"}
        Whose stiffness.
    measured : mapping
        Axle -> s [deg/g], at least one axle.
    sheet : RollSheet
        At the set-up the roll was measured on.

    Returns
    -------
    float or ndarray
        Not positive when the other axle alone would carry more than the whole moment: sheet and roll then
        contradict each other.
    """
    roll = both_axles(target, measured, sheet)
    if roll is None:
        raise ValueError("no axle was measured")
    # The whole moment over the roll each axle took of it, weighted by the stiffness that carried it.
    if target == "total":
        whole = sheet.stiffness["front"] + sheet.stiffness["rear"]
        carried = sum(sheet.stiffness[a] * roll[a] for a in AXLES)
        return whole * sheet.moment / carried
    # What the other axle carried, by its own roll and the sheet's stiffness, is taken off the moment.
    other = other_axle(target)
    return (sheet.moment - sheet.stiffness[other] * roll[other]) / roll[target]


def sensitivity(target: Target, measured: Mapping[Axle, float], sheet: RollSheet) -> dict[Axle, float]:
    """Return d ln K / d ln s of each measured axle, by central differences."""
    # By logarithms: relative errors of roll go in, relative errors of stiffness come out.
    step = 1e-5
    found: dict[Axle, float] = {}
    for axle in measured:
        up = stiffness(target, {**measured, axle: measured[axle] * math.exp(step)}, sheet)
        down = stiffness(target, {**measured, axle: measured[axle] * math.exp(-step)}, sheet)
        found[axle] = math.log(float(up) / float(down)) / (2.0 * step)
    return found


def common_sensitivity(target: Target, measured: Mapping[Axle, float], sheet: RollSheet) -> float:
    """Return |d ln K / d ln s| when the roll of both axles grows by the same part.

    For an axle this is more than one: the other axle's share is taken off a larger sum.
    """
    return abs(sum(sensitivity(target, measured, sheet).values()))


def other_axle(axle: Axle) -> Axle:
    """Return the other axle."""
    return "rear" if axle == "front" else "front"


@dataclass(frozen=True, slots=True)
class RunStiffness:
    """The logarithm of a stiffness as one run shows it.

    Parameters
    ----------
    log : float
        Natural logarithm of K [N m/deg].
    variance : float or None
        Of `log`, from the error within the run; None when the run states none.
    scale : float
        How much more `log` moves than the logarithm of roll when both axles' roll moves together [1].
    """

    log: float
    variance: float | None
    scale: float


def run_stiffness(target: Target, run: RollFigures, sheet: RollSheet) -> RunStiffness | str:
    """Return what one run shows of a stiffness, or the reason why it shows nothing."""
    measured = measured_gradients(run)
    if not measured:
        return no_gradient_reason(run)
    found = float(stiffness(target, measured, sheet))
    if not found > 0.0:
        other = other_axle(target) if target != "total" else target
        return (
            f"{run.name}: by the sheet the {other} axle alone would carry more than the whole roll moment; "
            "check spring rates, motion ratios and CG height"
        )
    # To first order in the gradients' errors; one axle without an error leaves the whole without.
    slopes = sensitivity(target, measured, sheet)
    variance: float | None = 0.0
    for axle, slope in slopes.items():
        error = run.roll_gradient_body[axle].std_error
        variance = (
            None if variance is None or error is None else variance + (slope * error / measured[axle]) ** 2
        )
    return RunStiffness(math.log(found), variance, abs(sum(slopes.values())))


def measured_gradients(run: RollFigures) -> dict[Axle, float]:
    """Return the body-axes gradients a run has [deg/g]; those that are not positive mean nothing.

    They are brought to small lateral forces, for which the sheet's roll moment holds: K_f s_f + K_r s_r is
    M times the part of the moment that was kept over the forces of the run, so s over that part stands
    with M. The harder a run was driven the less is kept; runs driven differently then show the same car.
    """
    kept = moment_kept(run)
    found: dict[Axle, float] = {}
    for axle in AXLES:
        estimate = run.roll_gradient_body.get(axle)
        if estimate is not None and estimate.value is not None and estimate.value > 0.0:
            found[axle] = estimate.value / kept
    return found


def moment_kept(run: RollFigures) -> float:
    """Return the part of the sheet's roll moment that reached springs and bars; 1 where it is not known."""
    kept = run.further.get(MOMENT_KEPT)
    return 1.0 if kept is None or not kept.value else kept.value


def kept_error(runs: Sequence[RollFigures]) -> float:
    """Return the relative error of that part, common to the runs."""
    errors = []
    for run in runs:
        kept = run.further.get(MOMENT_KEPT)
        if kept is not None and kept.value and kept.calibration is not None:
            errors.append(kept.calibration / kept.value)
    return float(np.mean(errors)) if errors else 0.0


def ground_open(runs: Sequence[RollFigures], axle: Axle) -> float:
    """Return the mean part of an axle's roll that side-slip on twisted ground leaves open, signed [1]."""
    found = [run.further.get(f"open_to_ground_{axle}") for run in runs]
    return float(np.mean([0.0 if e is None else e.value or 0.0 for e in found])) if found else 0.0


def with_moment_kept(runs: Sequence[_Run]) -> tuple[_Run, ...]:
    """Return the runs with the mean of the others' part of the moment where a run shows none of its own.

    Without it such a run would stand a few percent apart from the others for no reason of the car.
    """
    known = [run.further[MOMENT_KEPT] for run in runs if MOMENT_KEPT in run.further]
    values = [estimate.value for estimate in known if estimate.value]
    if not values or len(known) == len(runs):
        return tuple(runs)
    taken = replace(known[0], value=float(np.mean(values)), notes=("mean of the other runs",))
    return tuple(
        run
        if MOMENT_KEPT in run.further or not any(e.value for e in run.roll_gradient_body.values())
        else replace(run, further={**run.further, MOMENT_KEPT: taken})
        for run in runs
    )


def no_gradient_reason(run: RollFigures) -> str:
    """Return why a run shows no roll gradient."""
    notes = [note for e in run.roll_gradient_body.values() if e.value is None for note in e.notes[:1]]
    if any(e.value is not None for e in run.roll_gradient_body.values()):
        notes.append(WRONG_SIGN)
    return f"{run.name}: {notes[0] if notes else 'no roll gradient'}"


def wheel_scale(sheet: AxleSheet, nominal: AxleSheet) -> Floats:
    """Return the factor on measured roll if a sheet's motion ratio and base were those of `sheet`.

    Pots measure damper travel; roll follows from it by 1 / (motion ratio x base), so an error of the sheet in
    either is in the measured roll too, and partly cancels against the stiffness it stands beside.
    """
    return _roll_per_damper(sheet) / _roll_per_damper(nominal)


def _roll_per_damper(axle: AxleSheet) -> Floats:
    solid = axle.suspension == "solid axle" and axle.spring_base is not None
    base = axle.spring_base if solid and axle.spring_base is not None else axle.track_width
    return np.asarray(1.0 / (static_motion_ratio(axle.damper_motion_ratio) * np.asarray(base.value)))


def sensor_scale(car: CarSheet, runs: Sequence[RollFigures], axle: Axle) -> float:
    """Return the relative common error of the runs' gradients of an axle that is not from sheet geometry.

    `Estimate.calibration` of a run holds the tolerances of motion ratio and track width too, stated or
    default; those are carried through from the sheet here, so they are taken out.
    """
    found = [run.roll_gradient_body[axle] for run in runs if axle in run.roll_gradient_body]
    if not found:
        return 0.0
    sheet = with_tolerances(car).axle(axle)
    track = sheet.track_width
    stated = math.hypot(relative_spread(sheet.damper_motion_ratio) or 0.0, (track.std or 0.0) / track.value)
    whole = [e.calibration / abs(e.value) if e.calibration and e.value else 0.0 for e in found]
    return float(np.mean([math.sqrt(max(part**2 - stated**2, 0.0)) for part in whole]))
