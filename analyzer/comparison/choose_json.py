"""A choice as plain data, for ``analyzer choose --json``."""

from __future__ import annotations

from typing import Any

from analyzer.comparison.choice import Choice, Option


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
