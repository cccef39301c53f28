"""A confirmation as plain data, for ``analyzer confirm --json``."""

from __future__ import annotations

from typing import Any

from analyzer.comparison.results import AxleSettings, Confirmation


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
