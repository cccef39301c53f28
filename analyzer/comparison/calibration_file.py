"""The calibrated car on disk: a file beside the session, never over the sheet."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final

import numpy as np

from analyzer.comparison.calibration import Calibration
from analyzer.errors import AnalyzerError
from analyzer.estimate import Estimate
from analyzer.files import write_whole
from analyzer.prediction.complete import complete_car
from analyzer.prediction.propagation import sheet_inputs
from analyzer.sheets.car import CarSheet

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
    text = json.dumps(table, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        write_whole(path, text.encode())
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
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise AnalyzerError(f"{path}: cannot be read ({error.strerror}); check path and rights") from None
