"""What prediction hands on: the figures a set-up should show, with their errors."""

from __future__ import annotations

from dataclasses import dataclass, field

from analyzer.constants import Axle
from analyzer.estimate import Estimate


@dataclass(frozen=True, slots=True)
class BarPrediction:
    """One bar at one setting.

    Parameters
    ----------
    setting : str
        In words: "hole 2, 1 spacer", "off", "none".
    rate : Estimate
        Force at one link per travel of that link, the other moving as far the other way [N/m].
    compliance : dict
        Part of the bar -> its compliance [m/N]; the parts add up to 1 / rate.
    """

    setting: str
    rate: Estimate
    compliance: dict[str, float]


@dataclass(frozen=True, slots=True)
class LoadTransfer:
    """Change of one wheel's load per g of level-road lateral acceleration, by path [N/g]."""

    elastic: Estimate
    geometric: Estimate
    unsprung: Estimate
    total: Estimate


@dataclass(frozen=True, slots=True)
class SetupPrediction:
    """What a set-up should do.

    Parameters
    ----------
    name : str
        Set-up.
    bars : dict
        `BarPrediction` per axle; no entry where no bar is in the sheet.
    roll_stiffness : dict
        ``front``, ``rear``, ``total``: suspension roll stiffness (springs and bar) [N m/deg].
    roll_gradient : dict
        As in `RunEstimates.roll_gradient` [deg/g].
    roll_gradient_body : dict
        As in `RunEstimates.roll_gradient_body` [deg/g].
    load_transfer : dict
        `LoadTransfer` per axle.
    front_share : Estimate
        Front part of the load transfer [1].
    assumed : tuple of str
        Values the sheet did not state and what was taken instead.
    further : dict
        ``inside_load_front``, ``_rear`` (lighter wheel at 1 g [N]); ``lift_off_front``, ``_rear`` (lateral
        acceleration at which it leaves the ground [g]); ``replacement_spring_front``, ``_rear`` (rate at the
        spring that gives the same roll stiffness without the bar [N/mm]).
    """

    name: str
    bars: dict[Axle, BarPrediction]
    roll_stiffness: dict[str, Estimate]
    roll_gradient: dict[str, Estimate]
    roll_gradient_body: dict[str, Estimate]
    load_transfer: dict[Axle, LoadTransfer]
    front_share: Estimate
    assumed: tuple[str, ...] = ()
    further: dict[str, Estimate] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ChangePrediction:
    """What going from one set-up to another should do; errors common to both cancel.

    Parameters
    ----------
    before, after : str
        Set-ups.
    changed : tuple of Axle
        Axles whose bar setting differs.
    stiffness_ratio : dict
        ``front``, ``rear``, ``total``: roll stiffness after / before [1].
    stiffness_change : dict
        Same keys: after - before [N m/deg].
    gradient_ratio : dict
        ``front``, ``rear``: `roll_gradient_body` after / before [1].
    """

    before: str
    after: str
    changed: tuple[Axle, ...]
    stiffness_ratio: dict[str, Estimate]
    stiffness_change: dict[str, Estimate]
    gradient_ratio: dict[str, Estimate] = field(default_factory=dict)
