"""What a run's roll shows beside the gradients: figures, checks and remarks, one entry per question."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow
from analyzer.processing.moment_arm import ArmParts, moment_kept
from analyzer.processing.quasi_steady import disagreement_notes, quasi_steady, second_look
from analyzer.processing.results import Motion
from analyzer.processing.roll_columns import RollColumns
from analyzer.processing.roll_gradient import RollFit


@dataclass(frozen=True, slots=True)
class RollFigures:
    """Named estimates for `RunEstimates.further`, rows for its checks, and notes.

    Parameters
    ----------
    further : dict
        Name -> estimate.
    checks : tuple of HealthRow
        What was looked for.
    notes : tuple of str
        What the reader must know.
    """

    further: dict[str, Estimate] = field(default_factory=dict)
    checks: tuple[HealthRow, ...] = ()
    notes: tuple[str, ...] = ()


def roll_figures(
    fit: RollFit | str,
    columns: RollColumns | None,
    motion: Motion,
    gradients: Mapping[str, Estimate],
    arms: ArmParts | None,
) -> RollFigures:
    """Return the further figures of one run's roll.

    Parameters
    ----------
    fit : RollFit or str
        Of the whole run; the reason in words when there is none.
    columns : RollColumns or None
        It was fitted to.
    motion : Motion
        Of the run.
    gradients : mapping
        Gradients in body axes.
    arms : ArmParts or None
        What shortens the roll moment's arm.
    """
    if isinstance(fit, str) or columns is None:
        return RollFigures()
    further: dict[str, Estimate] = {}
    steady = quasi_steady(columns, motion)
    looks: dict[Axle, HealthRow] = {}
    for axle in fit.axles:
        further[f"quasi_steady_gradient_{axle}"] = steady[axle]
        looks[axle] = second_look(axle, gradients[axle], steady[axle])
    if arms is not None:
        further["roll_moment_kept"] = moment_kept(arms)
    return RollFigures(further, tuple(looks.values()), disagreement_notes(looks))
