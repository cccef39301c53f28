"""All results of a session as one plain dictionary: what stands in results.json."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from analyzer import __version__
from analyzer.comparison.confirm_json import axle_settings_json
from analyzer.constants import AXLES, Axle
from analyzer.estimate import Estimate
from analyzer.report.atomic import RESULTS_FORMAT
from analyzer.report.health import health_row_dict
from analyzer.units import DEG_PER_RAD, MM_PER_M

if TYPE_CHECKING:
    from analyzer.comparison.results import Comparison, Ledger, SetupResult
    from analyzer.ingest.recording import Recording, SourceFile
    from analyzer.prediction.results import BarPrediction, ChangePrediction, SetupPrediction
    from analyzer.processing.results import BottomingEvent, Difference, LoadShare, RunEstimates, Split
    from analyzer.session import Review, Session

SIGNIFICANT_DIGITS: Final = 9
"""Figures are rounded to this many significant digits, so that the last bits of a processor's arithmetic
do not make two equal reviews differ."""

_RATIO_MISSING: Final = "roll stiffness of the car was not measured in this run"


def results_dict(review: Review) -> dict[str, Any]:
    """Return everything a review found, ready for JSON.

    Parameters
    ----------
    review : Review
        A finished review.

    Returns
    -------
    dict
        Shape and units are those of docs/results.md: gradients [deg/g], roll stiffness [N m/deg], travel
        [mm], bank [deg], loads [N]. No NaN, no infinity, no time of day; file names are relative to the
        folder of the session sheet.
    """
    recordings = {recording.run: recording for recording in review.recordings}
    session = review.session
    table = {
        "format": RESULTS_FORMAT,
        "version": __version__,
        "seed": review.seed,
        "session": session.sheet.name,
        "car": session.car.name,
        "course": None if session.course is None else session.course.name,
        "sheets": _sheet_sources(session),
        "runs": [_run(run, recordings.get(run.name), session) for run in review.runs],
        "failed": [
            {"name": name, "reason": _local(reason, session)} for name, reason in review.failed.items()
        ],
        "setups": [_setup(setup) for setup in review.setups],
        "comparisons": [_comparison(comparison) for comparison in review.comparisons],
        "bar_settings": [axle_settings_json(settings) for settings in review.bars],
    }
    found: dict[str, Any] = rounded(table)
    return found


def estimate_dict(estimate: Estimate) -> dict[str, Any]:
    """Return an estimate in its JSON form."""
    return estimate.to_dict()


def event_dict(event: BottomingEvent) -> dict[str, Any]:
    """Return one bottoming event: travel in mm, bank in degrees."""
    budget = event.budget
    return {
        "corner": event.corner,
        "kind": event.kind,
        "start_s": event.start_s,
        "end_s": event.end_s,
        "peak_s": event.peak_s,
        "peak_mm": event.peak * MM_PER_M,
        "peak_error_mm": None if event.peak_error is None else event.peak_error * MM_PER_M,
        "stop_compression_mm": event.stop_compression * MM_PER_M,
        "approach_speed_m_per_s": event.approach_speed,
        "hard": event.hard,
        "distance_m": event.distance,
        "speed_m_per_s": event.speed,
        "jolt_m_per_s2": event.jolt,
        "seen": event.seen,
        "lateral_kept": event.lateral_kept,
        "vertical_acceleration_m_per_s2": event.vertical_acceleration,
        "bank_deg": None if event.bank is None else event.bank * DEG_PER_RAD,
        "section": event.section,
        "budget_mm": None
        if budget is None
        else {part: getattr(budget, part) * MM_PER_M for part in ("heave", "roll", "pitch", "warp")},
        "causes_mm": None
        if budget is None
        else {part.replace(" ", "_"): travel * MM_PER_M for part, travel in budget.causes.items()},
    }


def relative_name(path: Path, folder: Path) -> str:
    """Return `path` as seen from `folder`; its bare name when it lies elsewhere."""
    try:
        return path.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return path.name


def _run(run: RunEstimates, recording: Recording | None, session: Session) -> dict[str, Any]:
    further = dict(run.further)
    ratio = further.pop("roll_stiffness_ratio", None) or Estimate.unknown("1", _RATIO_MISSING)
    return {
        "name": run.name,
        "setup": run.setup,
        "conditions": next((dict(r.conditions) for r in session.sheet.runs if r.name == run.name), {}),
        "roll_gradient": _estimates(run.roll_gradient),
        "roll_gradient_body": _estimates(run.roll_gradient_body),
        "roll_stiffness_ratio": estimate_dict(ratio),
        "left_share": {axle: estimate_dict(left_share(run, axle)) for axle in AXLES},
        "load": {axle: _load(share) for axle, share in run.load_share.items()},
        "splits": [_split(split) for split in run.splits],
        "differences": [_difference(difference) for difference in run.differences],
        "bottoming": [event_dict(event) for event in run.bottoming],
        "topping": [event_dict(event) for event in run.topping],
        "stops": _estimates(run.stops),
        "further": _estimates(further),
        "health": [] if recording is None else [health_row_dict(row) for row in recording.health],
        "notes": list(run.notes),
        "steps": [
            _local(step, session)
            for step in (*(() if recording is None else recording.steps), *run.motion.steps)
        ],
        "sources": []
        if recording is None
        else [_log_source(source, session.path.parent) for source in recording.sources],
    }


def _load(share: LoadShare) -> dict[str, Any]:
    return {
        "lowest_load": estimate_dict(share.lowest_load),
        "lowest_corner": share.lowest_corner,
        "lowest_at_s": share.lowest_at,
        "light_time": estimate_dict(share.light_time),
        "evenness": estimate_dict(share.evenness),
        "light": [
            {"below": one.below, "share": estimate_dict(one.share), "seconds": estimate_dict(one.seconds)}
            for one in share.light
        ],
    }


def _split(split: Split) -> dict[str, Any]:
    return {
        "kind": split.kind,
        "name": split.name,
        "seconds": split.seconds,
        "roll_gradient_body": _estimates(split.roll_gradient_body),
        "left_share": _estimates(split.left_share),
        "share_slope": _estimates(split.share_slope),
    }


def _difference(difference: Difference) -> dict[str, Any]:
    return {
        "quantity": difference.quantity,
        "axle": difference.axle,
        "first": difference.first,
        "second": difference.second,
        "difference": estimate_dict(difference.difference),
        "beyond_error": difference.beyond_error,
    }


def left_share(run: RunEstimates, axle: str) -> Estimate:
    """Return the left share of an axle, or an unknown estimate with the reason."""
    for name, share in run.load_share.items():
        if name == axle:
            return share.left_share
    return Estimate.unknown("1", f"wheel loads of the {axle} axle could not be worked out")


def _setup(setup: SetupResult) -> dict[str, Any]:
    return {
        "name": setup.name,
        "runs": list(setup.runs),
        "predicted": _prediction(setup.predicted),
        "measured": _estimates(setup.measured),
        "ledger": [_ledger(row) for row in setup.ledger],
    }


def _ledger(row: Ledger) -> dict[str, Any]:
    return {
        "quantity": row.quantity,
        "measured": estimate_dict(row.measured),
        "predicted": estimate_dict(row.predicted),
        "ratio": estimate_dict(row.ratio),
        "unexplained": estimate_dict(row.unexplained),
        "agrees": row.agrees,
    }


def _prediction(prediction: SetupPrediction) -> dict[str, Any]:
    return {
        "bars": {axle: _bar(bar) for axle, bar in prediction.bars.items()},
        "roll_stiffness": _estimates(prediction.roll_stiffness),
        "roll_gradient": _estimates(prediction.roll_gradient),
        "roll_gradient_body": _estimates(prediction.roll_gradient_body),
        "load_transfer": {
            axle: {
                part: estimate_dict(getattr(transfer, part))
                for part in ("elastic", "geometric", "unsprung", "total")
            }
            for axle, transfer in prediction.load_transfer.items()
        },
        "front_share": estimate_dict(prediction.front_share),
        "assumed": list(prediction.assumed),
    }


def _bar(bar: BarPrediction) -> dict[str, Any]:
    return {"setting": bar.setting, "rate": estimate_dict(bar.rate), "compliance": dict(bar.compliance)}


def _comparison(comparison: Comparison) -> dict[str, Any]:
    return {
        "before": comparison.before,
        "after": comparison.after,
        "axle": comparison.axle,
        "stiffness_ratio": estimate_dict(comparison.stiffness_ratio),
        "predicted_ratio": estimate_dict(comparison.predicted_ratio),
        "stiffness_change": estimate_dict(comparison.stiffness_change),
        "predicted_change": estimate_dict(comparison.predicted_change),
        "gradient_ratio": _estimates(comparison.gradient_ratio),
        "verdict": comparison.verdict.value,
        "smallest_visible": estimate_dict(comparison.smallest_visible),
        "reason": comparison.reason,
        "differences": list(comparison.differences),
        "notes": list(comparison.notes),
        "prediction": _change(comparison.prediction),
    }


def _change(change: ChangePrediction) -> dict[str, Any]:
    return {
        "changed": list(change.changed),
        "stiffness_ratio": _estimates(change.stiffness_ratio),
        "stiffness_change": _estimates(change.stiffness_change),
        "gradient_ratio": _estimates(change.gradient_ratio),
    }


def _estimates(estimates: Mapping[Axle, Estimate] | Mapping[str, Estimate]) -> dict[str, Any]:
    return {name: estimate_dict(estimate) for name, estimate in estimates.items()}


def _sheet_sources(session: Session) -> list[dict[str, str]]:
    """Return name and hash of each sheet; a sheet gone since the review is listed without a hash."""
    sheets = {"session": session.path, "car": session.car_path}
    if session.sheet.course is not None:
        sheets["course"] = session.path.parent / session.sheet.course
    folder = session.path.parent
    return [
        {"kind": kind, "file": relative_name(path, folder), "sha256": _hash(path)}
        for kind, path in sheets.items()
    ]


def _hash(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "not readable when the report was written"


def _log_source(source: SourceFile, folder: Path) -> dict[str, Any]:
    return {"file": relative_name(source.path, folder), "sha256": source.sha256, "size": source.size}


def _local(text: str, session: Session) -> str:
    """Return `text` without the path of the session's folder, which differs from machine to machine."""
    for folder in {str(session.path.parent), str(session.path.parent.resolve())} - {".", "/", ""}:
        text = text.replace(folder + "/", "").replace(folder + "\\", "")
    return text


def rounded(value: Any) -> Any:
    """Return `value` with floats rounded, numpy scalars made plain, and nothing that JSON cannot hold."""
    if isinstance(value, Mapping):
        return {str(key): rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, str):
        value = value.item()
    if isinstance(value, float):
        # The infinities and NaN of a health row mean "no such figure".
        return float(f"{value:.{SIGNIFICANT_DIGITS}g}") if math.isfinite(value) else None
    return value
