"""What a run's roll shows beside the gradients: figures, checks and remarks, one entry per question."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.ingest.recording import HealthRow
from analyzer.processing.damper_lag import lag_notes
from analyzer.processing.free_play import play_notes
from analyzer.processing.friction import friction_loop
from analyzer.processing.moment_arm import ArmParts, moment_kept
from analyzer.processing.quasi_steady import disagreement_notes, quasi_steady, second_look
from analyzer.processing.results import Motion
from analyzer.processing.roll_curve import bend_notes, roll_curve, speed_change, unit_ahead
from analyzer.processing.roll_study import RollStudy


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
    study: RollStudy,
    motion: Motion,
    gradients: Mapping[str, Estimate],
    arms: ArmParts | None,
) -> RollFigures:
    """Return the further figures of one run's roll.

    Parameters
    ----------
    study : RollStudy
        The fit of the whole run and what spoils it.
    motion : Motion
        Of the run.
    gradients : mapping
        Gradients in body axes.
    arms : ArmParts or None
        What shortens the roll moment's arm.
    """
    fit, columns = study.fit, study.columns
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
    further |= friction_loop(fit)
    further |= {f"free_play_{axle}": play.width for axle, play in study.plays.items()}
    if study.bench is not None:
        further |= roll_curve(study.bench, fit, gradients) | speed_change(study.bench)
        further |= unit_ahead(study.bench)
    if study.lag is not None:
        further["damper_lag"] = study.lag.estimate
    notes = lag_notes(study.lag) + play_notes(study.plays) + bend_notes(further) + disagreement_notes(looks)
    return RollFigures(further, tuple(looks.values()), notes)
