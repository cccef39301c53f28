"""What comparison hands on: measured beside predicted, the verdict on a change, and the next setting."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from analyzer.core.errors import Fault
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import SettingPair
from analyzer.core.units import Axle
from analyzer.prediction.results import ChangePrediction, SetupPrediction
from analyzer.sheets.session import Setup

# What comparison hands on: measurement beside prediction, and the verdict on a change.


class ChangeVerdict(StrEnum):
    """What a change of set-up did, as far as the runs can tell."""

    AS_PREDICTED = "softened as predicted"
    LESS = "softened, less than predicted"
    MORE = "softened, more than predicted"
    SOFTENED_AGAINST = "softened, against the prediction"
    SOFTENED_WITHIN = "softened, within the errors of the prediction"
    SOFTENED_OPEN = "softened, as predicted or not"
    NO_CHANGE = "no change seen"
    UNCHANGED = "unchanged"
    STIFFENED = "stiffened as predicted"
    STIFFENED_LESS = "stiffened, less than predicted"
    STIFFENED_MORE = "stiffened, more than predicted"
    STIFFENED_AGAINST = "stiffened, against the prediction"
    STIFFENED_WITHIN = "stiffened, within the errors of the prediction"
    STIFFENED_OPEN = "stiffened, as predicted or not"
    AXLES = "axles not as predicted"
    CANNOT_TELL = "cannot tell"
    HELD_BACK = "held back until measured"


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
        Whether zero lies in the interval of `unexplained`; None when an error is unknown, or while either
        figure is provisional.
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


LIKELY: Final = 1.5
"""Odds of drift against none from which it is named: more likely than not, by a margin."""


class Treatment(StrEnum):
    """What was done about drift."""

    TAKEN_OUT = "taken out"
    WIDENED = "interval widened"
    CANCELS = "cancels"


@dataclass(frozen=True, slots=True)
class SessionDrift:
    """What the order of driving shows of drift.

    Parameters
    ----------
    order : tuple of (str, int)
        Set-ups in the order of driving, each with how many runs in a row.
    size : Estimate
        Change of the figure from the first run to the last, set-ups left aside [1]; unknown where the order
        cannot show it.
    per_run : Estimate
        The same from one run to the next [1].
    odds : float or None
        How much more likely drift is than none; None when too few runs tell.
    treatment : Treatment
        What was done about it.
    leaning : float
        Part of the session's drift that the plain difference of the means holds [1]; 0 for A-B-B-A, 0.6 for
        A-A-A-B-B-B.
    """

    order: tuple[tuple[str, int], ...]
    size: Estimate
    per_run: Estimate
    odds: float | None
    treatment: Treatment
    leaning: float

    @property
    def found(self) -> bool:
        """Whether drift is likely enough to be named."""
        return self.odds is not None and self.odds >= LIKELY


@dataclass(frozen=True, slots=True)
class AxleMove:
    """An axle whose roll changed otherwise than the set-ups make it.

    Parameters
    ----------
    axle : Axle
        Which axle.
    ratio : Estimate
        Its roll, after / before, over what the set-ups make of it [1].
    changed : bool
        Whether its bar was changed.
    """

    axle: Axle
    ratio: Estimate
    changed: bool


class Unpredicted(StrEnum):
    """Why it is not known what a condition that differs between two set-ups does to roll."""

    NOT_STATED = "not stated for one of the set-ups"
    NOT_READ = "cannot be read as a quantity"
    NO_MASS = "mass not stated"
    NO_PLACE = "place not stated"
    NO_TYRE_RATE = "tyre rate not stated"
    NO_MODEL = "nothing predicts it"


@dataclass(frozen=True, slots=True)
class KnownDifference:
    """A condition that differs between two set-ups, and what it does by the sheet.

    Parameters
    ----------
    condition : str
        Key of the session sheet.
    before, after : Estimate
        Mean over the runs of each set-up [kg], [l] or [kPa].
    effect : dict
        Axle -> roll gradient after / before as it alone makes it [1].
    taken : tuple of str
        Keys of the car sheet that are not stated and were taken for granted.
    """

    condition: str
    before: Estimate
    after: Estimate
    effect: dict[Axle, Estimate]
    taken: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OpenDifference:
    """A condition that differs between two set-ups, and of which nobody knows what it does.

    Parameters
    ----------
    condition : str
        Key of the session sheet.
    before, after : tuple of str
        What the sheet writes for the runs of each set-up; empty where it writes nothing.
    why : Unpredicted
        Why it is not known.
    """

    condition: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    why: Unpredicted


@dataclass(frozen=True, slots=True)
class KnownDifferences:
    """What the conditions of the runs do to a change between two set-ups.

    Parameters
    ----------
    taken_out : tuple of KnownDifference
        Predicted, and taken out of the change, run by run.
    open : tuple of OpenDifference
        Not predicted, and left in.
    as_driven : Estimate
        Roll stiffness after / before with nothing taken out [1].
    gradient_ratio : dict
        Axle -> roll gradient after / before with known differences taken out [1].
    """

    taken_out: tuple[KnownDifference, ...]
    open: tuple[OpenDifference, ...]
    as_driven: Estimate
    gradient_ratio: dict[Axle, Estimate]


class Moved(StrEnum):
    """How axles that did not roll as predicted moved."""

    ONE = "one axle moved"
    APART = "the axles moved against each other"
    ONE_WAY = "both axles moved one way"


class Remedy(StrEnum):
    """What would let a set-up be measured whose stiffness was not."""

    DRIVE = "drive it"
    OTHER_LOGS = "more runs logged alike cannot settle it"
    SHEET = "check the car sheet"


@dataclass(frozen=True, slots=True)
class OtherEndMoved:
    """The axle that was left alone did not answer as a change of the other one makes it.

    Parameters
    ----------
    axle : Axle
        The axle that was changed.
    beside : float
        Logarithm of what the other axle's roll did beside what it should.
    leaked : float
        Apparent change of the logarithm of the stiffness of `axle`, if the other one's stiffness moved.
    """

    axle: Axle
    beside: float
    leaked: float


@dataclass(frozen=True, slots=True)
class VerdictReason:
    """What a verdict was decided on; the sentence is made by `analyzer.report.reasons.verdict`.

    Changes are logarithms of the stiffness ratio after / before.

    Parameters
    ----------
    verdict : ChangeVerdict
        The verdict.
    alone : ChangeVerdict
        That of the stiffness ratio by itself, before axles, other end and placeholders are looked at.
    measured, predicted : float
        Changes.
    apart : float
        Half of the interval of measured less predicted.
    parts : tuple of float or None
        Ends of the 90 % interval of the true change, in parts of the predicted one; None where the two do not
        go one way.
    most : float
        The largest change, either way, that the interval of the measured one leaves; signed.
    smallest : float
        The smallest change that is seen with 80 % power at the 95 % level.
    visible : bool
        Whether the predicted change would have been seen.
    runs : int or None
        Half of the runs that would settle an open verdict, or one open as to the prediction; None where runs
        alone will not.
    least_step : float
        Smallest change that any number of runs would show, where runs alone will not do.
    moved : Moved or None
        What the axles did that did not roll as predicted, where neither or both bars were changed.
    other_end : OtherEndMoved or None
        Why there is no answer, where one bar was changed.
    unmeasured : tuple of str
        Keys of the sheets that nobody has measured and that the verdict hangs on.
    missing : str
        Why the stiffness of a set-up was not measured.
    remedy : Remedy or None
        What would let it be measured.
    """

    verdict: ChangeVerdict
    alone: ChangeVerdict
    measured: float = 0.0
    predicted: float = 0.0
    apart: float = 0.0
    parts: tuple[float, float] | None = None
    most: float = 0.0
    smallest: float = 0.0
    visible: bool = False
    runs: int | None = None
    least_step: float = 0.0
    moved: Moved | None = None
    other_end: OtherEndMoved | None = None
    unmeasured: tuple[str, ...] = ()
    missing: str = ""
    remedy: Remedy | None = None


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
        Roll stiffness of that axle (of the car when `axle` is None), after / before [1]; known differences
        between the runs are taken out of the measured one.
    stiffness_change, predicted_change : Estimate
        The same as a difference [N m/deg].
    gradient_ratio : dict
        ``front``, ``rear``: measured body-axes gradient after / before [1], as driven.
    front_over_rear : Estimate
        Roll stiffness of the front axle over that of the rear one, after / before, by how the road twists the
        axles against each other [1]: a second look at a bar that no mass, speed or force is in.
    verdict : ChangeVerdict
        In the words of the page.
    smallest_visible : Estimate
        Smallest change of the stiffness ratio these runs could have shown (95 % level, 80 % power) [1].
    reason : VerdictReason
        Why this verdict; what would settle it when it is "cannot tell".
    differences : tuple of str
        Conditions that differ between the runs of both set-ups.
    prediction : ChangePrediction
        The full prediction.
    notes : tuple of str
        What the figures rest on.
    not_driven : tuple of str
        Set-ups without any run.
    other_axle : Estimate or None
        Roll of the axle that was left alone, after / before, over what the change of `axle` alone makes of it
        [1]: one when nothing else was changed. None when both or none were changed or it was not measured.
    drift : SessionDrift or None
        What the order of driving shows of drift, and what was done; None without a measured ratio.
    run_scatter : float or None
        Standard deviation of one run's stiffness beyond drift [1].
    axle_moves : tuple of AxleMove
        Axles whose roll is not what the set-ups make of it; where one bar was changed, the other axle alone.
    unmeasured : tuple of str
        Keys of the sheets that nobody has measured and that the verdict hangs on, the weightiest first; it is
        held back until they are.
    known : KnownDifferences or None
        Conditions that differ between the runs of both set-ups: what was taken out, what could not be; None
        without a measured ratio.
    """

    before: str
    after: str
    axle: Axle | None
    stiffness_ratio: Estimate
    predicted_ratio: Estimate
    stiffness_change: Estimate
    predicted_change: Estimate
    gradient_ratio: dict[str, Estimate]
    front_over_rear: Estimate
    verdict: ChangeVerdict
    smallest_visible: Estimate
    reason: VerdictReason
    differences: tuple[str, ...]
    prediction: ChangePrediction
    notes: tuple[str, ...] = field(default_factory=tuple)
    not_driven: tuple[str, ...] = ()
    other_axle: Estimate | None = None
    drift: SessionDrift | None = None
    run_scatter: float | None = None
    axle_moves: tuple[AxleMove, ...] = ()
    unmeasured: tuple[str, ...] = ()
    known: KnownDifferences | None = None


class CauseKind(StrEnum):
    """What could set measurement and prediction apart; its words stand in `report/`."""

    CG_HEIGHT = "CG height"
    LOAD = "load"
    TYRE_RATE = "tyre rate"
    LATERAL_SCALE = "scale of lateral acceleration"
    DRIVEN = "way of driving"
    DAMPERS = "dampers"
    STEERING = "steering lift"
    SPRING_RATE = "spring rate"
    MOTION_RATIO = "damper motion ratio"
    POT_SCALE = "scale of a damper pot"
    BUMP_STOPS = "bump stops"
    ALSO_CHANGED = "axle changed too"
    BAR_RATE = "bar rate"
    FREE_PLAY = "free play"
    BINDING = "binding"
    BAR_SETTING = "bar setting"
    NOT_CHANGED = "change not made"


class Sign(StrEnum):
    """What in a session, beside the figures of roll, speaks for a cause."""

    CONDITION = "condition"
    HEALTH = "health"
    HITS = "bottoming events"
    DEAD_ZONE = "dead zone"
    FRICTION = "dry friction"
    DAMPING = "damping ratio of roll"
    FORCE = "greatest lateral force"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that speaks for a cause.

    Parameters
    ----------
    sign : Sign
        What kind of thing.
    before, after : float or str
        What was seen on both set-ups: counts, N, mm, damping ratio, m/s2, or the words of the session sheet;
        the same twice where it holds for the session.
    what : str
        Condition, or channel and check.
    runs : tuple of str
        Runs that show it.
    """

    sign: Sign
    before: float | str
    after: float | str
    what: str = ""
    runs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RankedCause:
    """One possible cause of a difference between measurement and prediction.

    Parameters
    ----------
    kind : CauseKind
        What it is.
    axle : Axle or None
        The axle it sits at; None for the whole car.
    after_only : bool
        Whether it came with the later set-up; False when it acts on both.
    instead : bool
        Whether it stands in the place of the change of bar, which was then not made.
    probability : float
        After the figures were seen, among all causes tested and "nothing but the errors" [1].
    bayes_factor : float
        Probability of the figures with this cause over that without it [1].
    size : Estimate
        Size if this is the only cause: factor on its quantity [1], or difference [kg] or [mm].
    evidence : tuple of Evidence
        What else in the session speaks for it.
    """

    kind: CauseKind
    axle: Axle | None
    after_only: bool
    instead: bool
    probability: float
    bayes_factor: float
    size: Estimate
    evidence: tuple[Evidence, ...]

    @property
    def mere_sensor(self) -> bool:
        """Whether it is a pot whose scale came with the set-up, and nothing else speaks for it.

        Such a scale fits roll of one axle at one set-up, which no part of the car does by itself, so it fits
        what a sheet or the model of roll leaves a little better than any part can.
        """
        return self.kind is CauseKind.POT_SCALE and self.after_only and not self.evidence


class Answer(StrEnum):
    """What the test of all causes comes to."""

    NOT_TESTED = "not tested"
    ERRORS = "errors explain it"
    OPEN = "cannot tell"
    ONE = "one cause"
    ALIKE = "causes that cannot be separated"
    NONE_FITS = "no cause fits"
    RIVALS = "another cause fits beyond its range"
    EITHER = "a pot or a part of the car"
    SENSOR = "a pot alone"
    HELD_BACK = "held back until measured"


@dataclass(frozen=True, slots=True)
class SeenFigure:
    """One figure the causes are tested on: what was seen against the sheet, with the error of both.

    Parameters
    ----------
    setup : str
        Set-up.
    axle : Axle
        Axle.
    bend : bool
        True for the slope of roll about nought against that further out, False for roll against the sheet.
    misfit, std : float
        Logarithm of seen over expected, and its standard error [1].
    """

    setup: str
    axle: Axle
    bend: bool
    misfit: float
    std: float


@dataclass(frozen=True, slots=True)
class Reasons:
    """All causes tested, the likeliest first.

    Parameters
    ----------
    ranked : tuple of RankedCause
        Empty when nothing could be tested. Their chances and `none` are one together; where the answer is
        `RIVALS` with those that fit beyond their ranges weighed so.
    none : float
        Probability that no cause beyond the errors of sheet and runs is at work [1].
    answer : Answer
        What it comes to.
    named : tuple of RankedCause
        The cause, or causes that the data cannot separate, that may stand in a headline: one of them, a part
        of the car, is at least `diagnosis.HEADLINE` times as probable as the errors.
    figures : tuple of SeenFigure
        The figures that were used, with their errors.
    unmeasured : tuple of str
        Keys of the sheets that nobody has measured and that the figures rest on: no cause is named until they
        are.
    fit : float or None
        Chance of figures that lie as far off as these, or farther, with the cause at work that fits them best
        at any size within its range [1]; None where none was tested.
    rivals : tuple of RankedCause
        A cause that would stand in the headline, and those that fit as well a little beyond their ranges; or
        a pot that nothing else speaks for.
    """

    ranked: tuple[RankedCause, ...]
    none: float
    answer: Answer
    named: tuple[RankedCause, ...] = ()
    figures: tuple[SeenFigure, ...] = ()
    unmeasured: tuple[str, ...] = ()
    fit: float | None = None
    rivals: tuple[RankedCause, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """One line of the ledger of a change: a part of the car's answer before and after.

    Parameters
    ----------
    name : str
        What it is ("front springs", "front bar", "front measured").
    before, after, change : Estimate
        In one unit; errors common to both set-ups cancel in `change`.
    """

    name: str
    before: Estimate
    after: Estimate
    change: Estimate


@dataclass(frozen=True, slots=True)
class LeftOut:
    """The comparison without one of its runs.

    Parameters
    ----------
    run : str
        The run that was left out.
    stiffness_ratio : Estimate
        Without it [1].
    verdict : ChangeVerdict
        Without it.
    """

    run: str
    stiffness_ratio: Estimate
    verdict: ChangeVerdict


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Everything `confirm` has to say about a change.

    Parameters
    ----------
    comparison : Comparison
        The verdict on the changed axle.
    before, after : SetupResult
        Stiffness of axles and car on both set-ups, measured against predicted.
    car_ratio : Estimate
        Roll stiffness of the whole car, after / before [1].
    order : str
        Order of driving ("A-B-A").
    drift : Estimate or None
        Change of the stiffness per run that was taken out [1]; None when the order cannot show it.
    parts : tuple of Part
        Springs, bars, tyres, roll centres; predicted, measured, unexplained.
    left_out : tuple of LeftOut
        The comparison without each run in turn; empty with fewer than three runs.
    reasons : Reasons
        What could set measurement and prediction apart.
    settings : tuple of SettingEffect
        Every set-up of the session in one model.
    pairs : tuple of SettingPair
        Which set-ups are really different.
    bars : tuple of AxleSettings
        Every bar setting of each axle in one model, over all sessions given.
    shown : dict
        What all runs together have shown about the car: factor on the sheet's figure [1].
    plan : NextRuns
        What would settle an open question, or confirm the answer.
    cautions : tuple of str
        To be read with the advice.
    faults : tuple of Fault
        Runs of the session left out because of a fault of this program.
    """

    comparison: Comparison
    before: SetupResult
    after: SetupResult
    car_ratio: Estimate
    order: str
    drift: Estimate | None
    parts: tuple[Part, ...]
    left_out: tuple[LeftOut, ...]
    reasons: Reasons
    settings: tuple[SettingEffect, ...]
    pairs: tuple[SettingPair, ...]
    bars: tuple[AxleSettings, ...]
    shown: dict[str, Estimate]
    plan: NextRuns
    cautions: tuple[str, ...]
    faults: tuple[Fault, ...] = ()


class Next(StrEnum):
    """What more runs would do for a verdict."""

    DRIVE = "drive both set-ups"
    OTHER_CHANGED = "something else differs"
    MEASURE = "measure first"
    STANDS = "the verdict stands"
    SEEN = "seen, as predicted or not"
    NONE_PREDICTED = "no change was predicted"
    MORE = "more runs"


@dataclass(frozen=True, slots=True)
class NextRuns:
    """What to drive next for a verdict; the sentence is made by `analyzer.report.reasons.next_runs`.

    Parameters
    ----------
    kind : Next
        Which case it is.
    plan : RunPlan or None
        Runs to drive, where more would settle it.
    """

    kind: Next
    plan: RunPlan | None = None


@dataclass(frozen=True, slots=True)
class SettingEffect:
    """One set-up in the model of the whole session.

    Parameters
    ----------
    setup : str
        Its name.
    settings : dict
        Axle -> bar setting in words.
    measured, predicted : Estimate
        Roll stiffness of the car [N m/deg].
    updated : Estimate
        The same after the runs have updated the sheet.
    runs : int
        Runs on it.
    """

    setup: str
    settings: dict[Axle, str]
    measured: Estimate
    predicted: Estimate
    updated: Estimate
    runs: int


@dataclass(frozen=True, slots=True)
class BarSettingResult:
    """One bar setting of an axle over all runs that had it.

    Parameters
    ----------
    setting : str
        In words ("hole 2, 1 spacer").
    setups : tuple of str
        Set-ups with this setting.
    runs : int
        Runs on them.
    measured, predicted : Estimate
        Roll stiffness of the axle [N m/deg].
    ratio : Estimate
        Measured / predicted [1].
    step, predicted_step, unexplained : Estimate or None
        Stiffness less that of the softest setting driven, measured, predicted and what is left over
        [N m/deg]; None for the softest one itself.
    """

    setting: str
    setups: tuple[str, ...]
    runs: int
    measured: Estimate
    predicted: Estimate
    ratio: Estimate
    step: Estimate | None
    predicted_step: Estimate | None
    unexplained: Estimate | None


@dataclass(frozen=True, slots=True)
class AxleSettings:
    """All bar settings of one axle in one model.

    Parameters
    ----------
    axle : Axle
        Which axle.
    springs, springs_predicted : Estimate
        Roll stiffness of the axle without its bar: measured less the predicted bar, and from the sheet
        [N m/deg].
    settings : tuple of BarSettingResult
        The softest first.
    pairs : tuple of SettingPair
        Which of them are really different.
    friction : Estimate
        Dry friction of one corner at the wheel [N].
    sessions : tuple of str
        Sessions whose runs count; one of no name when there is only one.
    notes : tuple of str
        What the figures rest on.
    """

    axle: Axle
    springs: Estimate
    springs_predicted: Estimate
    settings: tuple[BarSettingResult, ...]
    pairs: tuple[SettingPair, ...]
    friction: Estimate
    sessions: tuple[str, ...]
    notes: tuple[str, ...]


# What `choose` hands on: settings that could be fitted next.


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
        Half of the runs to drive; None when no number up to `MOST_PLANNED_RUNS` reaches the wanted power.
    order : str
        Order of driving.
    power : float
        Probability that the change is seen with that many runs (with the most planned when
        `runs` is None) [1].
    scatter : float
        Scatter of the compared figure from run to run it is worked out with [1].
    """

    runs: int | None
    order: str
    power: float
    scatter: float


@dataclass(frozen=True, slots=True)
class GoalResult:
    """One figure that is wanted, and what an option gives.

    Parameters
    ----------
    quantity, kind, wanted, tolerance
        As in `analyzer.comparison.choosing.wishes.Goal`.
    given : float or None
        The same figure with the option; None when the sheet lacks what it needs.
    """

    quantity: str
    kind: str
    wanted: float
    tolerance: float
    given: float | None


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
    goals : tuple of GoalResult
        Every figure that is wanted beside what the option gives.
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
    goals: tuple[GoalResult, ...]
    effects: dict[str, Effect]
    stiffness_ratio: dict[str, Estimate]
    stress_factor: dict[Axle, float | None]
    plan: RunPlan | None
    cautions: tuple[str, ...]


class NotFitted(StrEnum):
    """Why a setting that a wish names cannot be fitted."""

    NO_HOLES = "no bar with holes"
    UNEVEN = "off or uneven now"
    NO_HOLE = "no such hole"
    NO_SPACER = "no such spacer"


@dataclass(frozen=True, slots=True)
class MissingSetting:
    """A setting that a wish names and that cannot be fitted.

    Parameters
    ----------
    axle : Axle
        Whose bar.
    why : NotFitted
        Why not.
    most : int
        Last hole, or most spacers, there is.
    inwards : bool
        Whether a hole further in was wanted.
    """

    axle: Axle
    why: NotFitted
    most: int = 0
    inwards: bool = False


@dataclass(frozen=True, slots=True)
class ChoiceBasis:
    """What the prediction of a choice rests on beside the car sheet.

    Parameters
    ----------
    updated_by : int or None
        Runs that have updated the sheet; None without a calibrated car.
    measured_on : str
        Set-up whose measured roll gradients are the present ones; empty without.
    runs : int
        Runs on it.
    """

    updated_by: int | None = None
    measured_on: str = ""
    runs: int = 0


@dataclass(frozen=True, slots=True)
class AxleAsOn:
    """An axle that the wish does not name shall be as on another set-up.

    Parameters
    ----------
    axle : str
        ``front`` or ``rear``.
    setup : str
        Name of that set-up.
    """

    axle: Axle
    setup: str


@dataclass(frozen=True, slots=True)
class Bank:
    """A bank to be driven.

    Parameters
    ----------
    angle : float
        Cross slope towards the inside [rad].
    centripetal : float
        Horizontal acceleration towards the inside [m/s2].
    """

    angle: float
    centripetal: float


@dataclass(frozen=True, slots=True)
class MarginOn:
    """The bank on which travel is left.

    Parameters
    ----------
    bank : Bank
        It.
    stated : bool
        False for the usual bank, where none was named.
    """

    bank: Bank
    stated: bool


Assumption = str | AxleAsOn | MarginOn
"""What a choice takes for granted; text where it is a line of the wish's table or of the car sheet."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What to fit next; the answer in a sentence is `analyzer.report.reasons.choice`.

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
    missing : tuple of MissingSetting
        Settings that the wish names and that cannot be fitted.
    springs : dict
        Axle -> spring rate now, and the one that would keep its roll stiffness without the bar [N/mm]; empty
        where something on the shelf meets the wish.
    assumptions : tuple of Assumption
        What is taken for granted.
    basis : ChoiceBasis
        What the prediction rests on.
    cautions : tuple of str
        To be read with the advice.
    faults : tuple of Fault
        Runs of the session left out because of a fault of this program.
    """

    wish: str
    present: dict[Axle, str]
    options: tuple[Option, ...]
    tried: int
    reachable: bool
    missing: tuple[MissingSetting, ...]
    springs: dict[Axle, tuple[float, float]]
    assumptions: tuple[Assumption, ...]
    basis: ChoiceBasis
    cautions: tuple[str, ...]
    faults: tuple[Fault, ...] = ()
