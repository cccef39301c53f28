"""What a run's roll shows beside the gradients: figures and remarks, one entry per question."""

from __future__ import annotations

from dataclasses import dataclass, field

from analyzer.estimate import Estimate
from analyzer.processing.moment_arm import ArmParts, moment_kept


@dataclass(frozen=True, slots=True)
class RollFigures:
    """Named estimates for `RunEstimates.further`, and notes.

    Parameters
    ----------
    further : dict
        Name -> estimate.
    notes : tuple of str
        What the reader must know.
    """

    further: dict[str, Estimate] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def roll_figures(arms: ArmParts | None) -> RollFigures:
    """Return the further figures of one run's roll."""
    further: dict[str, Estimate] = {}
    if arms is not None:
        further["roll_moment_kept"] = moment_kept(arms)
    return RollFigures(further)
