"""What `choose` hands on: settings that could be fitted next."""

from __future__ import annotations

from dataclasses import dataclass

from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.sheets.session import Setup


@dataclass(frozen=True, slots=True)
class Effect:
    """One figure now and with another setting, in one unit; what both share cancels in `change`."""

    now: Estimate
    then: Estimate
    change: Estimate


@dataclass(frozen=True, slots=True)
class RunPlan:
    """What to drive to see a change.

    Parameters
    ----------
    runs : int or None
        Runs of each set-up; None when no number up to `MOST_PLANNED_RUNS` reaches the wanted power.
    order : str
        Order of driving.
    power : float
        Probability that the change is seen with that many runs (with the most planned when
        `runs` is None) [1].
    scatter : float
        Scatter of the compared figure from run to run it is worked out with [1].
    words : str
        The plan in a sentence.
    """

    runs: int | None
    order: str
    power: float
    scatter: float
    words: str


@dataclass(frozen=True, slots=True)
class Option:
    """A setting that could be fitted next.

    Parameters
    ----------
    setup : Setup
        Bar settings.
    words : dict
        Axle -> what is fitted.
    changes : tuple of str
        What has to be done; empty when it is the present setting.
    cost : float
        In hole changes.
    reached : bool
        Whether every goal is met within its tolerance.
    chance : float or None
        Probability that every goal is met, with the errors of the prediction [1]; None without goals in
        figures.
    miss : float
        Distance from the goals in tolerances [1].
    effects : dict
        Figure -> what it does.
    stiffness_ratio : dict
        ``front``, ``rear``, ``total``: roll stiffness then / now [1].
    stress_factor : dict
        Changed axle -> lowest yield strength over stress at full opposite travel; None where not known.
    plan : RunPlan or None
        Runs that would confirm it; None when nothing is changed.
    cautions : tuple of str
        What speaks against it or must be watched.
    """

    setup: Setup
    words: dict[Axle, str]
    changes: tuple[str, ...]
    cost: float
    reached: bool
    chance: float | None
    miss: float
    effects: dict[str, Effect]
    stiffness_ratio: dict[str, Estimate]
    stress_factor: dict[Axle, float | None]
    plan: RunPlan | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """What to fit next.

    Parameters
    ----------
    wish : str
        As the tuner put it.
    present : dict
        Axle -> what is on the car now.
    options : tuple of Option
        Best first.
    tried : int
        Combinations that were looked at.
    reachable : bool
        Whether any of them meets the wish.
    answer : str
        One sentence.
    assumptions : tuple of str
        What is taken for granted.
    basis : str
        What the prediction rests on.
    cautions : tuple of str
        To be read with the advice.
    """

    wish: str
    present: dict[Axle, str]
    options: tuple[Option, ...]
    tried: int
    reachable: bool
    answer: str
    assumptions: tuple[str, ...]
    basis: str
    cautions: tuple[str, ...]
