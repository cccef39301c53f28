"""What comparison hands on: measurement beside prediction, and the verdict on a change."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from analyzer.constants import Axle
from analyzer.estimate import Estimate
from analyzer.prediction.results import ChangePrediction, SetupPrediction
from analyzer.sheets.session import Setup


class ChangeVerdict(StrEnum):
    """What a change of set-up did, as far as the runs can tell."""

    AS_PREDICTED = "softened as predicted"
    LESS = "softened, less than predicted"
    MORE = "softened, more than predicted"
    SOFTENED_AGAINST = "softened, against the prediction"
    NO_CHANGE = "no change seen"
    STIFFENED = "stiffened"
    STIFFENED_LESS = "stiffened, less than predicted"
    STIFFENED_MORE = "stiffened, more than predicted"
    STIFFENED_AGAINST = "stiffened, against the prediction"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Ledger:
    """One figure measured and predicted, and what is left over.

    Parameters
    ----------
    quantity : str
        What is compared ("roll gradient front").
    measured, predicted : Estimate
        In the same unit.
    ratio : Estimate
        Measured / predicted [1].
    unexplained : Estimate
        Measured - predicted, with both errors.
    agrees : bool or None
        Whether zero lies in the interval of `unexplained`; None when an error is unknown.
    """

    quantity: str
    measured: Estimate
    predicted: Estimate
    ratio: Estimate
    unexplained: Estimate
    agrees: bool | None


@dataclass(frozen=True, slots=True)
class SetupResult:
    """One set-up over all its runs.

    Parameters
    ----------
    name : str
        Set-up.
    runs : tuple of str
        Runs that count.
    measured : dict
        ``roll_gradient_front``, ``roll_gradient_rear``, ``roll_gradient_total``,
        ``roll_gradient_body_front``, ``roll_gradient_body_rear`` [deg/g], ``roll_stiffness_front``,
        ``_rear``, ``_total`` [N m/deg], ``left_share_front``, ``_rear`` [1].
    predicted : SetupPrediction
        From the sheet.
    ledger : tuple of Ledger
        Measured against predicted.
    hardware : Setup or None
        The bar settings of the set-up.
    """

    name: str
    runs: tuple[str, ...]
    measured: dict[str, Estimate]
    predicted: SetupPrediction
    ledger: tuple[Ledger, ...]
    hardware: Setup | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One set-up against another.

    Parameters
    ----------
    before, after : str
        Set-ups.
    axle : Axle or None
        The axle whose bar was changed; None when both or none were.
    stiffness_ratio, predicted_ratio : Estimate
        Roll stiffness of that axle (of the car when `axle` is None), after / before [1].
    stiffness_change, predicted_change : Estimate
        The same as a difference [N m/deg].
    gradient_ratio : dict
        ``front``, ``rear``: measured body-axes gradient after / before [1].
    verdict : ChangeVerdict
        In the words of the page.
    smallest_visible : Estimate
        Smallest change of the stiffness ratio these runs could have shown (95 % level, 80 % power) [1].
    reason : str
        One sentence: why this verdict; what would settle it when it is "cannot tell".
    differences : tuple of str
        Conditions that differ between the runs of both set-ups.
    prediction : ChangePrediction
        The full prediction.
    """

    before: str
    after: str
    axle: Axle | None
    stiffness_ratio: Estimate
    predicted_ratio: Estimate
    stiffness_change: Estimate
    predicted_change: Estimate
    gradient_ratio: dict[str, Estimate]
    verdict: ChangeVerdict
    smallest_visible: Estimate
    reason: str
    differences: tuple[str, ...]
    prediction: ChangePrediction
    notes: tuple[str, ...] = field(default_factory=tuple)
