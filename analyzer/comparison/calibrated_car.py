"""What the runs have shown about the car: the sheet's quantities updated, their errors and what they share.

Linear Gaussian update (Bayes; JCGM 101 in its linear form; any text on inverse problems, for instance
Tarantola 2005, ch. 3): every quantity of the sheet starts from its value and tolerance; the roll of both
axles on every set-up is what was seen. Quantities that only act together (CG height and mass, tube wall and
shear modulus) stay unknown by themselves and become known as the product that was seen; the covariance keeps
that.
"""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from analyzer.comparison.ledger import GroupFit, sheet_roll
from analyzer.comparison.session_drift import fit_means
from analyzer.comparison.setups import gradient_values
from analyzer.comparison.stiffness import kept_error, measured_gradients, sensor_scale, wheel_scale
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.core.files import file_sha256, json_bytes, write_whole
from analyzer.core.mixed_effects import Floats
from analyzer.core.regression import student_factor
from analyzer.core.units import AXLES, Axle
from analyzer.prediction.propagation import Propagated, Values, propagate, replace_values, sheet_inputs
from analyzer.processing.results import RunEstimates
from analyzer.sheets.bar import NoBar
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Setup
from analyzer.vehicle.axle import bar_roll_stiffness, mass_properties, spring_roll_stiffness
from analyzer.vehicle.bar.rate import axle_bar_rate
from analyzer.vehicle.completion import complete_car

COMMON_MODEL_ERROR: Final = 0.03
"""Relative error of straight-line roll against a car driven hard, common to both axles and all set-ups:
jacking, roll-centre migration and drive force moved the slope of a rigid-body model by 3 to 6 %."""

KEPT_MODEL_ERROR: Final = 0.015
"""The same where the part of the moment that was kept is known: what it leaves was 0.3 % on the rigid-body
model of the tests and 1 % on the car of the sample session; real cars leave more."""

AXLE_MODEL_ERROR: Final = 0.015
"""The part of it that is each axle's own; engineering judgement."""

AXLE_CORRELATION: Final = 0.5
"""Correlation of the run-to-run scatter of both axles; engineering judgement between 0 and 1."""

STEPS: Final = 4
"""Passes of the update, each about the point found before; the third changes nothing that is printed."""

MOST_MISFIT: Final = 25.0
"""Misfit beyond which sheet and runs contradict each other: five standard errors on the average figure.
An update would then only spread a mistake over all quantities."""

MOST_SHIFT: Final = 5.0
"""Furthest that a quantity is moved, in its tolerances."""

LEAST_ROLL: Final = 1e-3
"""Least roll per lateral force that a sheet is taken to mean [deg/g]; stiff racing cars have 0.2."""

METHOD: Final = "car sheet updated by the runs"


@dataclass(frozen=True, slots=True)
class Calibration:
    """The car as the runs have shown it.

    Parameters
    ----------
    car : str
        Name of the car.
    keys : tuple of str
        Quantities of the (completed) sheet that have a tolerance.
    sheet_values, stds : ndarray
        Their values in the sheet and their tolerances [SI].
    shift : ndarray
        Update of each in units of its tolerance.
    covariance : ndarray
        Of the quantities after the update, in the same units; the unit matrix before.
    shown : dict
        Figures in plain words -> factor on the sheet's value with its error [1].
    runs : tuple of str
        Runs that went in.
    misfit : float
        Sum of squares of what is left, over its expectation; far above one, sheet and runs contradict.
    """

    car: str
    keys: tuple[str, ...]
    sheet_values: Floats
    stds: Floats
    shift: Floats
    covariance: Floats
    shown: dict[str, Estimate]
    runs: tuple[str, ...]
    misfit: float

    @property
    def values(self) -> Floats:
        """The updated values [SI]."""
        return np.asarray(self.sheet_values + self.stds * self.shift)


def calibrated_car(car: CarSheet, calibration: Calibration) -> CarSheet:
    """Return the (completed) sheet with the updated values; the tolerances stay those of the sheet."""
    complete, _ = complete_car(car)
    return replace_values(complete, dict(zip(calibration.keys, calibration.values, strict=True)))


def read_anew(car: CarSheet, calibrated: CarSheet, runs: Sequence[RunEstimates]) -> tuple[RunEstimates, ...]:
    """Return the runs as the updated sheet turns the travel of the pots into roll.

    The gradients were worked out with the motion ratios and tracks of the sheet; those that the update has
    moved are in the roll too.
    """
    factors = {a: float(wheel_scale(calibrated.axle(a), car.axle(a))) for a in AXLES}
    found = []
    for run in runs:
        body = {a: e.times(factors.get(a, 1.0)) for a, e in run.roll_gradient_body.items()}  # type: ignore[call-overload]
        level = {a: e.times(factors.get(a, 1.0)) for a, e in run.roll_gradient.items()}  # type: ignore[call-overload]
        found.append(replace(run, roll_gradient_body=body, roll_gradient=level))
    return tuple(found)


def propagate_calibrated(
    car: CarSheet, calibration: Calibration | None, function: Callable[[CarSheet], Values]
) -> Propagated:
    """Return what `function` makes of the car as the runs have shown it, or of the sheet alone.

    As `analyzer.prediction.propagation.propagate`, with the covariance of the updated quantities.
    """
    if calibration is None:
        return propagate(car, function)
    found = propagate(calibrated_car(car, calibration), function)
    place = {key: index for index, key in enumerate(calibration.keys)}
    # Quantities the runs could not see (parts that were not fitted) keep their own tolerance.
    whole = np.eye(len(found.inputs))
    here = [index for index, key in enumerate(found.inputs) if key in place]
    there = [place[found.inputs[index]] for index in here]
    whole[np.ix_(here, here)] = calibration.covariance[np.ix_(there, there)]
    # A default tolerance in percent moves with its value; the covariance counts in the sheet's own.
    old = {item.key: item.std for item in sheet_inputs(complete_car(car)[0])}
    new = {item.key: item.std for item in sheet_inputs(calibrated_car(car, calibration))}
    slopes = found.contribution * np.array([old[key] / new[key] for key in found.inputs])
    covariance = slopes @ whole @ slopes.T
    # Rounding must not leave a variance below nought where the runs know a figure almost exactly.
    np.fill_diagonal(covariance, np.maximum(np.diag(covariance), 0.0))
    note = f"car sheet updated by {len(calibration.runs)} runs ({', '.join(calibration.runs)})"
    before = np.sqrt(np.diag(found.covariance))
    narrower = np.divide(np.sqrt(np.diag(covariance)), before, out=np.ones_like(before), where=before > 0.0)
    return replace(
        found,
        covariance=covariance,
        reach=found.reach * narrower[:, None],
        assumed=(note, *found.assumed),
    )


@dataclass(frozen=True, slots=True)
class Seen:
    """Roll as seen on every set-up.

    Parameters
    ----------
    setups : tuple of str
        Set-up of each figure.
    axles : tuple of Axle
        Its axle.
    logs : ndarray
        Logarithm of the roll per lateral force [deg/g], as the sheet's geometry turns the pots into roll.
    covariance : ndarray
        From scatter between and within runs, from sensors, and from what the straight-line model leaves out.
    fits : dict
        Axle -> random-effects fit.
    """

    setups: tuple[str, ...]
    axles: tuple[Axle, ...]
    logs: Floats
    covariance: Floats
    fits: dict[Axle, GroupFit]


def seen_roll(car: CarSheet, runs: Sequence[RunEstimates], model_error: bool = True) -> Seen | None:
    """Put the roll of all runs together per set-up and axle; None when no run shows any."""
    fits: dict[Axle, GroupFit] = {}
    for axle in AXLES:
        values = gradient_values(runs, axle)
        if values:
            fits[axle] = fit_means(values)
    places = [(setup, axle) for axle, fit in fits.items() for setup in fit.groups]
    if not places:
        return None
    logs = np.array([fits[axle].mean(setup).value for setup, axle in places])
    # Three kinds of error lie on the mean rolls: scatter between runs, the scale of each axle's pots (common
    # to all of its set-ups), and what the model of roll leaves out.
    covariance = _scatter(fits, places)
    axle_of = np.array([axle for _, axle in places])
    same = axle_of[:, None] == axle_of[None, :]
    for axle in fits:
        mine = axle_of == axle
        covariance += sensor_scale(car, runs, axle) ** 2 * np.outer(mine, mine)
    kept = kept_error(runs)
    # Runs that do not tell what part of the roll moment they kept carry the usual loss as an error of the
    # model.
    if model_error:
        common = math.hypot(KEPT_MODEL_ERROR, kept) if kept else COMMON_MODEL_ERROR
        covariance += common**2 + AXLE_MODEL_ERROR**2 * same
    return Seen(tuple(s for s, _ in places), tuple(a for _, a in places), logs, covariance, fits)


def _scatter(fits: Mapping[Axle, GroupFit], places: Sequence[tuple[str, Axle]]) -> Floats:
    """Return the covariance of the means from the runs; widened where few runs had to show their scatter."""
    size = len(places)
    covariance = np.zeros((size, size))
    rows = [fits[axle].row(setup) for setup, axle in places]
    widen = {axle: (student_factor(fit.fit.dof) / 1.96) ** 2 for axle, fit in fits.items()}
    for i, (setup, axle) in enumerate(places):
        for j, (other_setup, other) in enumerate(places):
            if axle == other:
                covariance[i, j] = widen[axle] * rows[i] @ fits[axle].fit.covariance @ rows[j]
            elif setup == other_setup:
                stds = [
                    math.sqrt(widen[a] * float(r @ fits[a].fit.covariance @ r))
                    for a, r in ((axle, rows[i]), (other, rows[j]))
                ]
                covariance[i, j] = AXLE_CORRELATION * stds[0] * stds[1]
    # The correlation is set by hand, so that with unequal runs the whole need not be a covariance any more.
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def calibrate(car: CarSheet, setups: Mapping[str, Setup], runs: Sequence[RunEstimates]) -> Calibration | None:
    """Update the sheet by all runs of a session.

    None when no run shows any roll, or when runs and sheet contradict each other (`MOST_MISFIT`).

    Parameters
    ----------
    car : CarSheet
        The sheet; it is not changed.
    setups : mapping
        Name -> hardware, for every set-up that was driven.
    runs : sequence of RunEstimates
        Of this session, and of earlier ones of the same car if wanted, in the order of driving.
    """
    seen = seen_roll(car, runs)
    if seen is None:
        return None
    complete, _ = complete_car(car)
    driven = {name: setups[name] for name in dict.fromkeys(seen.setups)}

    def expected(sheet: CarSheet) -> Values:
        return expected_roll(sheet, complete, driven)

    names = [f"{setup} {axle}" for setup, axle in zip(seen.setups, seen.axles, strict=True)]
    # The sheet with its tolerances is the prior, the mean rolls are the data: a linear Gaussian update,
    # iterated since stiffness is not linear in hole, wall and motion ratio (Gauss and Newton).
    prior = propagate(complete, expected)
    slopes = prior.contribution[[prior.names.index(name) for name in names]]
    inputs = {item.key: item for item in sheet_inputs(complete)}
    values = np.array([inputs[key].value for key in prior.inputs])
    stds = np.array([inputs[key].std for key in prior.inputs])
    gain = slopes.T @ np.linalg.inv(slopes @ slopes.T + seen.covariance)
    left = seen.logs - np.array([prior.values[name] for name in names])
    misfit = float(left @ np.linalg.solve(slopes @ slopes.T + seen.covariance, left)) / len(left)
    # Runs that lie many errors off the sheet would bend every quantity a little; the car or the sheet has a
    # mistake that no update can find.
    if misfit > MOST_MISFIT:
        return None
    # In units of each quantity's own tolerance, clipped, so that one bad run cannot turn a rate negative.
    shift = np.zeros(len(values))
    for _ in range(STEPS):
        sheet = replace_values(complete, dict(zip(prior.inputs, values + stds * shift, strict=True)))
        now = expected(sheet)
        model = np.array([float(now[name]) for name in names])
        shift = np.clip(gain @ (seen.logs - model + slopes @ shift), -MOST_SHIFT, MOST_SHIFT)
    # Joseph's form of the update stays positive whatever the rounding.
    rest = np.eye(len(values)) - gain @ slopes
    covariance = rest @ rest.T + gain @ seen.covariance @ gain.T
    calibration = Calibration(
        car=car.name,
        keys=prior.inputs,
        sheet_values=values,
        stds=stds,
        shift=shift,
        covariance=(covariance + covariance.T) / 2.0,
        shown={},
        runs=tuple(run.name for run in runs if measured_gradients(run)),
        misfit=misfit,
    )
    return replace(calibration, shown=_shown(car, driven, calibration))


def expected_roll(sheet: CarSheet, nominal: CarSheet, setups: Mapping[str, Setup]) -> Values:
    """Return the logarithm of the roll that the pots would show, by set-up and axle."""
    values = {}
    for name, setup in setups.items():
        told = sheet_roll(sheet, setup)
        for axle in AXLES:
            scale = wheel_scale(sheet.axle(axle), nominal.axle(axle))
            # A car that would lean the other way is no car; the floor keeps a wild update finite.
            values[f"{name} {axle}"] = np.log(np.maximum(told.gradient[axle] / scale, LEAST_ROLL))
    return values


def _shown(car: CarSheet, setups: Mapping[str, Setup], calibration: Calibration) -> dict[str, Estimate]:
    """Return what the runs have shown, as factors on the sheet's figures."""

    def function(sheet: CarSheet) -> Values:
        # Logarithms: what the runs show about a rate is a factor on the sheet's figure.
        masses = mass_properties(sheet)
        values = {"roll moment": np.log(np.asarray(masses.elastic_moment))}
        for axle in AXLES:
            part = sheet.axle(axle)
            values[f"{axle} springs in roll"] = np.log(spring_roll_stiffness(part, masses.axle(axle).sprung))
            if isinstance(part.bar, NoBar):
                continue
            fitted = [s.bar(axle) for s in setups.values() if s.bar(axle) != "off"]
            if fitted:
                stiff = bar_roll_stiffness(part, axle_bar_rate(part, fitted[0]))
                values[f"{axle} bar in roll"] = np.log(stiff)
        return values

    # The same function by the sheet alone and after the runs: their difference is what was learnt.
    before, after = propagate(car, function), propagate_calibrated(car, calibration, function)
    shown = {}
    for name in after.names:
        factor = math.exp(after.values[name] - before.values[name])
        std = after.std(name)
        note = f"the sheet alone knows it to ± {100.0 * before.std(name):.1f} %"
        interval = (factor * math.exp(-1.96 * std), factor * math.exp(1.96 * std))
        known = Estimate(
            factor, "1", factor * std, interval, n=len(calibration.runs), method=METHOD, notes=(note,)
        )
        # The runs show a factor on what the sheet says: of a placeholder it says nothing of the car.
        shown[name] = known.resting_on(*before.unmeasured(name))
    return shown


# The calibrated car on disk: a file beside the session, never over the sheet.


FORMAT: Final = "drift-bar-analyzer calibrated car 1"
FILE_NAME: Final = "calibrated_car.json"

_LARGEST: Final = 20_000_000
DIGITS: Final = 9


def calibration_json(calibration: Calibration) -> dict[str, Any]:
    """Return a calibration as plain data."""
    return {
        "format": FORMAT,
        "car": calibration.car,
        "runs": list(calibration.runs),
        "misfit": _rounded(calibration.misfit),
        "shown": {name: _estimate(estimate) for name, estimate in calibration.shown.items()},
        "quantities": [
            {
                "key": key,
                "sheet_value": _rounded(value),
                "sheet_std": _rounded(std),
                "shift_in_std": _rounded(shift),
            }
            for key, value, std, shift in zip(
                calibration.keys, calibration.sheet_values, calibration.stds, calibration.shift, strict=True
            )
        ],
        "covariance": [[_rounded(v) for v in row] for row in calibration.covariance],
    }


def write_calibration(path: Path, calibration: Calibration, car_path: Path) -> None:
    """Write a calibration to `path`, whole or not at all.

    Parameters
    ----------
    car_path : Path
        The car sheet it belongs to; its hash is kept, so that a changed sheet is noticed.

    Raises
    ------
    AnalyzerError
        When `path` holds anything but an earlier calibration, or cannot be written.
    """
    if path.exists() and not _is_calibration(path):
        raise AnalyzerError(f"{path}: is not a calibrated car of this program; name another file")
    table = {**calibration_json(calibration), "sheet_sha256": _hash(car_path)}
    try:
        write_whole(path, json_bytes(table, indent=1, sort_keys=False))
    except OSError as error:
        raise AnalyzerError(f"{path}: cannot be written ({error.strerror}); check path and rights") from None


def read_calibration(path: Path, car: CarSheet, car_path: Path) -> Calibration:
    """Read a calibration and make sure that it belongs to this sheet.

    Raises
    ------
    AnalyzerError
        One line: no such file, not a calibration, or one of another or since changed sheet.
    """
    table = _load(path)
    if table.get("sheet_sha256") != _hash(car_path):
        raise AnalyzerError(
            f"{path}: was made from another car sheet or the sheet was changed since; "
            "make it anew from the session's runs"
        )
    try:
        calibration = _calibration(table)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise AnalyzerError(f"{path}: is damaged; make it anew from the session's runs") from None
    complete, _ = complete_car(car)
    if calibration.keys != tuple(item.key for item in sheet_inputs(complete)):
        raise AnalyzerError(f"{path}: does not fit this car sheet; make it anew from the session's runs")
    return calibration


def _calibration(table: dict[str, Any]) -> Calibration:
    rows = table["quantities"]
    columns = {
        name: np.array([float(row[name]) for row in rows])
        for name in ("sheet_value", "sheet_std", "shift_in_std")
    }
    # The file is text that somebody may have edited: shape and numbers are checked before anything rests on
    # them.
    covariance = np.array(table["covariance"], dtype=float)
    size = len(rows)
    if covariance.shape != (size, size) or not np.all(np.isfinite(covariance)):
        raise ValueError("covariance")
    if not all(np.all(np.isfinite(column)) for column in columns.values()):
        raise ValueError("quantities")
    return Calibration(
        car=str(table["car"]),
        keys=tuple(str(row["key"]) for row in rows),
        sheet_values=columns["sheet_value"],
        stds=columns["sheet_std"],
        shift=columns["shift_in_std"],
        covariance=covariance,
        shown={str(name): _read_estimate(item) for name, item in table["shown"].items()},
        runs=tuple(str(run) for run in table["runs"]),
        misfit=float(table["misfit"]),
    )


def _read_estimate(item: dict[str, Any]) -> Estimate:
    low, high = item["interval"]
    return Estimate(
        value=float(item["value"]),
        unit=str(item["unit"]),
        std_error=float(item["std_error"]),
        interval=(float(low), float(high)),
        n=int(item["n"]),
        method=str(item["method"]),
        notes=tuple(str(note) for note in item["notes"]),
        provisional=tuple(str(key) for key in item.get("provisional", ())),
    )


def _estimate(estimate: Estimate) -> dict[str, Any]:
    table = estimate.to_dict()
    for key in ("value", "std_error"):
        table[key] = _rounded(table[key])
    table["interval"] = [_rounded(v) for v in table["interval"]]
    return table


def _rounded(value: float) -> float:
    return float(f"{float(value):.{DIGITS}g}")


def _load(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST:
            raise AnalyzerError(f"{path}: is too large for a calibrated car; name the right file")
        table = json.loads(path.read_bytes().decode("utf-8"))
    except FileNotFoundError:
        raise AnalyzerError(f"{path}: there is no such file; check the path") from None
    except OSError as error:
        raise AnalyzerError(f"{path}: cannot be read ({error.strerror}); check path and rights") from None
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise AnalyzerError(f"{path}: is not a calibrated car of this program; name the right file") from None
    if not isinstance(table, dict) or table.get("format") != FORMAT:
        raise AnalyzerError(f"{path}: is not a calibrated car of this program; name the right file")
    return table


def _is_calibration(path: Path) -> bool:
    try:
        _load(path)
    except AnalyzerError:
        return False
    return True


def _hash(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError as error:
        raise AnalyzerError(f"{path}: cannot be read ({error.strerror}); check path and rights") from None
