"""Show health rows: a table for the terminal, a dictionary for scripts."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rich.console import Console

from analyzer import __version__
from analyzer.comparison.results import AxleSettings, Choice, Confirmation, Option
from analyzer.core.constants import AXLES, Axle
from analyzer.core.errors import one_line
from analyzer.core.estimate import Estimate
from analyzer.core.files import RESULTS_FORMAT
from analyzer.core.units import DEG_PER_RAD, MM_PER_M
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.report.terminal import say
from analyzer.report.words import clause, count, label, listed

if TYPE_CHECKING:
    from analyzer.comparison.results import Comparison, Ledger, SetupResult
    from analyzer.ingest.recording import SourceFile
    from analyzer.prediction.results import BarPrediction, ChangePrediction, SetupPrediction
    from analyzer.processing.results import BottomingEvent, Difference, LoadShare, RunEstimates, Split
    from analyzer.session.review import CheckOutcome, Review, Session


_STYLE: Final = {Verdict.SUSPECT: "yellow", Verdict.BAD: "red"}


def health_json(outcome: CheckOutcome) -> dict[str, Any]:
    """Return the health rows of every recording in the shape of results.json."""
    return {
        "runs": [
            {
                "name": recording.run,
                "sample_rate_hz": recording.sample_rate,
                "samples": len(recording.data),
                "channels": list(recording.data.columns),
                "health": [health_row_dict(row) for row in recording.health],
                "steps": list(recording.steps),
            }
            for recording in outcome.recordings
        ],
        "failed": dict(outcome.failed),
    }


def health_row_dict(row: HealthRow) -> dict[str, Any]:
    """Return one row in the shape of results.json."""
    return {
        "check": row.check,
        "channel": row.channel,
        "verdict": row.verdict.value,
        "value": row.value,
        "threshold": row.threshold,
        "unit": row.unit,
        "comment": row.comment,
    }


def print_health(outcome: CheckOutcome, console: Console) -> None:
    """Print what every log holds, every check that is not good and what to do, then how the logs were read.

    Checks that could not be made, and steps of reading, are told once for all logs they belong to.
    """
    for recording in outcome.recordings:
        _print_recording(recording, console)
    _grouped(
        console,
        "Not tested",
        [
            (recording.run, f"{row.channel}, {row.check}: {clause(row.comment)}")
            for recording in outcome.recordings
            for row in recording.health
            if row.verdict is Verdict.NOT_TESTED
        ],
    )
    steps = [(recording.run, step) for recording in outcome.recordings for step in recording.steps]
    _grouped(console, "How the logs were read", steps)
    console.print()
    say(console, _next_step(outcome), style="bold")


def _grouped(console: Console, title: str, lines: list[tuple[str, str]]) -> None:
    runs: dict[str, list[str]] = {}
    for run, line in lines:
        runs.setdefault(line, []).append(label(run, 24))
    if not runs:
        return
    every = {run for run, _ in lines}
    console.print()
    say(console, title)
    for line, names in runs.items():
        which = "" if len(every) == 1 or len(set(names)) == len(every) else f" ({listed(names, 8)})"
        say(console, f"  {one_line(line)}{which}", hang=4)


def _next_step(outcome: CheckOutcome) -> str:
    rows = [row for recording in outcome.recordings for row in recording.health]
    if outcome.failed:
        return f"{count(len(outcome.failed), 'log')} could not be read; the line below says why."
    if any(row.verdict is Verdict.BAD for row in rows):
        return "Bad channels are left out of all that needs them: mend sheet or sensor, then check again."
    if any(row.verdict is Verdict.SUSPECT for row in rows):
        return "Suspect channels are used: look at what is said about them, then go on with analyzer review."
    return "Every check is good; go on with analyzer review."


def recording_line(recording: Recording) -> str:
    """Return length, rate, number of channels and outcome of the checks, in one line."""
    findings = [row for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)]
    tested = sum(row.verdict is not Verdict.NOT_TESTED for row in recording.health)
    count = f"{len(findings)} of {tested} checks found something" if findings else f"all {tested} checks good"
    seconds = len(recording.data) / recording.sample_rate
    return (
        f"{recording.run}: {seconds:.1f} s at {recording.sample_rate:.4g} Hz,"
        f" {len(recording.data.columns)} channels; {count}"
    )


def _print_recording(recording: Recording, console: Console) -> None:
    say(console, one_line(recording_line(recording)), style="bold")
    rows = [row for row in recording.health if row.verdict in _STYLE]
    for row in sorted(rows, key=lambda row: row.verdict is not Verdict.BAD):
        word = row.verdict.value
        say(
            console,
            f"  {word + ':':9}{row.channel}, {row.check}: {clause(row.comment)}.",
            style=_STYLE[row.verdict],
            hang=9,
        )


# A confirmation as plain data, for ``analyzer confirm --json``.


def confirmation_json(confirmation: Confirmation) -> dict[str, Any]:
    """Return everything of a confirmation as plain data; estimates in the shape of results.json."""
    c = confirmation.comparison
    return {
        "before": c.before,
        "after": c.after,
        "axle": c.axle,
        "verdict": c.verdict.value,
        "reason": c.reason,
        "stiffness_ratio": c.stiffness_ratio.to_dict(),
        "predicted_ratio": c.predicted_ratio.to_dict(),
        "stiffness_change": c.stiffness_change.to_dict(),
        "predicted_change": c.predicted_change.to_dict(),
        "car_ratio": confirmation.car_ratio.to_dict(),
        "gradient_ratio": {axle: e.to_dict() for axle, e in c.gradient_ratio.items()},
        "smallest_visible": c.smallest_visible.to_dict(),
        "other_axle": None if c.other_axle is None else c.other_axle.to_dict(),
        "stiffness": {
            result.name: {
                key.removeprefix("roll_stiffness_"): estimate.to_dict()
                for key, estimate in result.measured.items()
                if key.startswith("roll_stiffness_")
            }
            for result in (confirmation.before, confirmation.after)
        },
        "order": confirmation.order,
        "drift_per_run": None if confirmation.drift is None else confirmation.drift.to_dict(),
        "ledger": [
            {
                "part": part.name,
                "before": part.before.to_dict(),
                "after": part.after.to_dict(),
                "change": part.change.to_dict(),
            }
            for part in confirmation.parts
        ],
        "without_one_run": [
            {
                "run": item.run,
                "stiffness_ratio": item.stiffness_ratio.to_dict(),
                "verdict": item.verdict.value,
            }
            for item in confirmation.left_out
        ],
        "reasons": _reasons_json(confirmation),
        "settings": _settings_json(confirmation),
        "bar_settings": [axle_settings_json(item) for item in confirmation.bars],
        "car_as_shown": {name: e.to_dict() for name, e in confirmation.shown.items()},
        "plan": confirmation.plan,
        "differences": list(c.differences),
        "notes": list(c.notes),
        "cautions": list(confirmation.cautions),
    }


def _reasons_json(confirmation: Confirmation) -> dict[str, Any]:
    reasons = confirmation.reasons
    return {
        "answer": reasons.answer,
        "none": reasons.none,
        "figures": list(reasons.figures),
        "ranked": [
            {
                "name": reason.name,
                "probability": reason.probability,
                "bayes_factor": reason.bayes_factor,
                "size": reason.size.to_dict(),
                "evidence": list(reason.evidence),
                "check": reason.check,
            }
            for reason in reasons.ranked
        ],
    }


def _settings_json(confirmation: Confirmation) -> dict[str, Any]:
    return {
        "effects": [
            {
                "setup": item.setup,
                "settings": dict(item.settings),
                "measured": item.measured.to_dict(),
                "predicted": item.predicted.to_dict(),
                "updated": item.updated.to_dict(),
                "runs": item.runs,
            }
            for item in confirmation.settings
        ],
        "pairs": [
            {
                "before": pair.before,
                "after": pair.after,
                "ratio": pair.ratio.to_dict(),
                "predicted": pair.predicted.to_dict(),
                "p_value": pair.p_value,
                "different": pair.different,
            }
            for pair in confirmation.pairs
        ],
    }


def axle_settings_json(model: AxleSettings) -> dict[str, Any]:
    """Return all bar settings of one axle as plain data."""
    return {
        "axle": model.axle,
        "springs": model.springs.to_dict(),
        "springs_predicted": model.springs_predicted.to_dict(),
        "friction": model.friction.to_dict(),
        "settings": [
            {
                "setting": item.setting,
                "setups": list(item.setups),
                "runs": item.runs,
                "measured": item.measured.to_dict(),
                "predicted": item.predicted.to_dict(),
                "ratio": item.ratio.to_dict(),
                "step": None if item.step is None else item.step.to_dict(),
                "predicted_step": None if item.predicted_step is None else item.predicted_step.to_dict(),
                "unexplained": None if item.unexplained is None else item.unexplained.to_dict(),
            }
            for item in model.settings
        ],
        "pairs": [
            {
                "before": pair.before,
                "after": pair.after,
                "ratio": pair.ratio.to_dict(),
                "predicted": pair.predicted.to_dict(),
                "p_value": pair.p_value,
                "different": pair.different,
            }
            for pair in model.pairs
        ],
        "sessions": [name for name in model.sessions if name],
        "notes": list(model.notes),
    }


# A choice as plain data, for ``analyzer choose --json``.


def choice_json(choice: Choice) -> dict[str, Any]:
    """Return a choice as plain data; estimates in the shape of results.json."""
    return {
        "wish": choice.wish,
        "present": dict(choice.present),
        "answer": choice.answer,
        "reachable": choice.reachable,
        "tried": choice.tried,
        "basis": choice.basis,
        "assumptions": list(choice.assumptions),
        "cautions": list(choice.cautions),
        "options": [_option_json(option) for option in choice.options],
    }


def _option_json(option: Option) -> dict[str, Any]:
    return {
        "fitted": dict(option.words),
        "changes": list(option.changes),
        "cost": option.cost,
        "reached": option.reached,
        "chance": option.chance,
        "miss": option.miss,
        "effects": {
            name.replace(" ", "_"): {
                "now": effect.now.to_dict(),
                "then": effect.then.to_dict(),
                "change": effect.change.to_dict(),
            }
            for name, effect in option.effects.items()
        },
        "stiffness_ratio": {name: e.to_dict() for name, e in option.stiffness_ratio.items()},
        "stress_factor": dict(option.stress_factor),
        "plan": None
        if option.plan is None
        else {
            "runs": option.plan.runs,
            "order": option.plan.order,
            "power": option.plan.power,
            "scatter": option.plan.scatter,
            "words": option.plan.words,
        },
        "cautions": list(option.cautions),
    }


# All results of a session as one plain dictionary: what stands in results.json.


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
