"""What processing hands on: motion of a run, and the estimates drawn from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from analyzer.core.estimate import Estimate
from analyzer.core.units import Axle, Corner
from analyzer.ingest.recording import HealthRow


@dataclass(frozen=True, slots=True)
class Motion:
    """Motion of the car through a run, SI, ISO 8855 axes.

    Parameters
    ----------
    data : DataFrame
        Index ``time_s`` [s], log time, uniform; a fast log is thinned (with anti-aliasing) to between 100 and
        200 samples per second. Columns, where the channels for them exist:
        ``wheel_FL`` ... (wheel travel from static, bump positive [m]); ``roll_front``, ``roll_rear``
        (suspension roll, left side up positive [rad]); ``heave`` (mean wheel travel [m]), ``pitch`` (nose
        down positive [rad]), ``warp`` (m: (FL - FR - RL + RR) / 4); ``specific_force_x`` ``_y`` ``_z`` (at
        the sprung CG, body axes [m/s2]); ``road_force_x`` ``_y`` ``_z`` (same in the road plane);
        ``roll_rate``, ``pitch_rate``, ``yaw_rate`` [rad/s]; ``roll_acceleration`` [rad/s2]; ``bank`` (cross
        slope towards the inside of the turn [rad]); ``turn`` (1 in a left turn, -1 in a right one);
        ``body_roll`` (suspension and estimated tyre roll [rad]); ``speed`` [m/s]; ``distance`` from the
        start of the moving part [m]; ``steer_angle`` [rad]; ``bank_error`` (standard uncertainty of ``bank``
        [rad]), ``bank_by_force`` (from the accelerometer alone [rad]), ``vertical_acceleration`` (of the
        path, positive in a dip [m/s2]).
    suspect : DataFrame of bool
        Same shape; True = do not use.
    parked : Series of bool
        True where the car is not moving.
    steps : tuple of str
        What was done, for the report.
    box_std : tuple of float
        Standard uncertainty of the inertial box's lean about x, y and z that is left in its channels [rad].
    place_std : tuple of float
        The same of its place along x, y and z, from which the forces are moved to the CG [m].
    """

    data: pd.DataFrame
    suspect: pd.DataFrame
    parked: pd.Series[bool]
    steps: tuple[str, ...] = ()
    box_std: tuple[float, float, float] = (0.0, 0.0, 0.0)
    place_std: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def rate(self) -> float:
        """Samples per second of the working base [Hz]; 1 for a single sample, which has no rate."""
        index = self.data.index
        return float((len(index) - 1) / (index[-1] - index[0])) if len(index) > 1 else 1.0


@dataclass(frozen=True, slots=True)
class TravelBudget:
    """One damper's travel at one instant as the sum of its causes [m at the damper].

    Parameters
    ----------
    heave, roll, pitch, warp : float
        The four modes of the four wheels' travel; they add up to the travel.
    causes : dict
        The same travel by what brought it about: ``vertical load`` (slow heave: bank, dip), ``roll``,
        ``pitch``, ``warp`` (slow) and ``road`` (everything quicker, all modes). They add up too.
    """

    heave: float
    roll: float
    pitch: float
    warp: float
    causes: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BottomingEvent:
    """One contact of a damper with its bump stop.

    Parameters
    ----------
    corner : Corner
        Which damper.
    start_s, end_s, peak_s : float
        Log time of first and last contact and of the deepest point [s].
    peak : float
        Greatest damper travel from static [m].
    stop_compression : float
        Greatest travel past the bump-stop gap [m].
    approach_speed : float
        Damper speed at first contact, compression positive [m/s].
    hard : bool
        True when the damper reached full bump (without it in the sheet: pressed the stop most of the way).
    bank : float or None
        Cross slope at the peak [rad]; None when it could not be found.
    section : str
        Section of the course, or a plain description of the motion ("left, banked").
    budget : TravelBudget or None
        Causes of the peak travel; None when a corner's travel is missing.
    kind : str
        ``bump stop`` or ``full droop``; at full droop travel and speeds count in extension.
    peak_error : float or None
        Standard uncertainty of `peak` from sensor noise, log rate and zero of the pot [m].
    distance, speed : float or None
        Distance from the start of the moving part [m] and speed [m/s] at the peak, where speed was logged.
    jolt : float or None
        Vertical specific force during the contact above that around it [m/s2].
    seen : bool or None
        Whether the body felt the contact as the stop's rate asks for: a second witness beside the pot. None
        when there is no vertical accelerometer or the hit is too gentle to be felt.
    lateral_kept : float or None
        In-plane force during and just after the contact over that just before it [1].
    vertical_acceleration : float or None
        Of the path at the peak: negative over a crest, positive in a dip [m/s2].
    """

    corner: Corner
    start_s: float
    end_s: float
    peak_s: float
    peak: float
    stop_compression: float
    approach_speed: float
    hard: bool
    bank: float | None
    section: str
    budget: TravelBudget | None
    kind: str = "bump stop"
    peak_error: float | None = None
    distance: float | None = None
    speed: float | None = None
    jolt: float | None = None
    seen: bool | None = None
    lateral_kept: float | None = None
    vertical_acceleration: float | None = None


@dataclass(frozen=True, slots=True)
class AxleFit:
    """The roll fit of one axle, kept for figures and comparison.

    Parameters
    ----------
    points : DataFrame
        ``lateral_force`` [m/s2, body axes] and ``roll`` [rad], the samples (thinned) the fit used,
        low-passed.
    slope, intercept : float
        Fitted line: rad per m/s2, rad.
    lateral_range : tuple of float
        Range of lateral specific force the fit rests on [m/s2].
    """

    points: pd.DataFrame
    slope: float
    intercept: float
    lateral_range: tuple[float, float]


@dataclass(frozen=True, slots=True)
class LightTime:
    """How long a wheel of one axle was light over the moving part of a run.

    Parameters
    ----------
    below : float
        Light means below this part of the wheel's static load [1].
    share, seconds : Estimate
        Share of the moving time [1], and the time itself [s].
    """

    below: float
    share: Estimate
    seconds: Estimate


@dataclass(frozen=True, slots=True)
class LoadShare:
    """How load is shared left to right on one axle over the moving part of a run.

    Parameters
    ----------
    left_share : Estimate
        Mean of left / (left + right) [1].
    lowest_load : Estimate
        Smallest wheel load of the axle, low-passed [N].
    light_time : Estimate
        Share of the moving time in which a wheel of the axle carries less than a fifth of its static load.
    evenness : Estimate
        Mean of twice the lower load over the sum of both, low-passed: 1 when both tyres carry the same, 0
        when one carries all [1].
    light : tuple of LightTime
        Light time by threshold, the lowest first; a threshold of 0.02 tells lifted wheels.
    lowest_corner : Corner or None
        Whose load `lowest_load` is.
    lowest_at : float or None
        When, log time [s].
    damped : bool
        Whether the loads hold the dampers' force; without it single moments of the share are off by about
        0.02, its mean is not.
    """

    left_share: Estimate
    lowest_load: Estimate
    light_time: Estimate
    evenness: Estimate = field(default_factory=lambda: Estimate.unknown("1", "not worked out"))
    light: tuple[LightTime, ...] = ()
    lowest_corner: Corner | None = None
    lowest_at: float | None = None
    damped: bool = True


@dataclass(frozen=True, slots=True)
class Split:
    """Gradient and load share of one part of a run.

    Parameters
    ----------
    kind, name : str
        ``direction``: ``left corners``, ``right corners``; ``road``: ``banked``, ``flat``; ``time``:
        ``early``, ``late`` half of the driving; ``section``: a section of the course sheet.
    seconds : float
        How long the part is [s].
    roll_gradient_body : dict
        Suspension roll per lateral specific force in body axes, per axle [deg/g].
    left_share : dict
        Mean of left / (left + right) while cornering, per axle whose loads are known [1].
    share_slope : dict
        Slope of the left share on lateral force over the axle's load as a part of that at rest [1]; negative,
        since load moves to the right in a left turn. Unlike the mean it depends neither on how hard the part
        was driven nor on the load a bank adds.
    """

    kind: str
    name: str
    seconds: float
    roll_gradient_body: dict[str, Estimate]
    left_share: dict[Axle, Estimate]
    share_slope: dict[Axle, Estimate]


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure in one part of a run less the same figure in another.

    Parameters
    ----------
    quantity : str
        ``roll_gradient_body`` or ``share_slope``.
    axle : Axle
        Which axle.
    first, second : str
        Names of the two parts.
    difference : Estimate
        First less second, in the unit of the quantity.
    beyond_error : bool
        Whether the difference is more than its error explains, all differences of the run taken together.
    """

    quantity: str
    axle: Axle
    first: str
    second: str
    difference: Estimate
    beyond_error: bool


@dataclass(frozen=True, slots=True)
class RunEstimates:
    """Everything one run has shown.

    Parameters
    ----------
    name, setup : str
        Run and the set-up it was driven on.
    roll_gradient : dict
        ``front``, ``rear``: suspension roll per level-road lateral acceleration; ``total``: body roll to
        ground (tyre roll added from the sheet's tyre rates) [deg/g].
    roll_gradient_body : dict
        ``front``, ``rear``: suspension roll per lateral specific force in body axes, the s of the roll
        equation [deg/g]. Set-ups are compared on these.
    fits : dict
        `AxleFit` per axle that could be fitted.
    load_share : dict
        `LoadShare` per axle that could be worked out.
    loads : DataFrame
        ``load_FL`` ... [N], ``left_share_front``, ``left_share_rear`` [1] over time; empty when unknown.
    bottoming : tuple of BottomingEvent
        In order of time.
    motion : Motion
        For figures.
    further : dict
        Other named estimates (friction, roll frequency, closure, ...).
    notes : tuple of str
        What the reader must know about this run.
    topping : tuple of BottomingEvent
        Dampers at full droop, in order of time.
    stops : dict
        Per axle, damper travel from static to the bump stop [mm], from the sheet or read off the log.
    checks : tuple of HealthRow
        Checks that need the estimates: whether the wheel loads add up to the car.
    splits : tuple of Split
        Parts of the run by direction, bank, time and section of the course sheet.
    differences : tuple of Difference
        Left against right, banked against flat, early against late.
    share_unknown : dict
        Axle that is missing in `load_share` -> why.
    """

    name: str
    setup: str
    roll_gradient: dict[str, Estimate]
    roll_gradient_body: dict[str, Estimate]
    fits: dict[Axle, AxleFit]
    load_share: dict[Axle, LoadShare]
    loads: pd.DataFrame
    bottoming: tuple[BottomingEvent, ...]
    motion: Motion
    further: dict[str, Estimate] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    topping: tuple[BottomingEvent, ...] = ()
    stops: dict[Axle, Estimate] = field(default_factory=dict)
    checks: tuple[HealthRow, ...] = ()
    splits: tuple[Split, ...] = ()
    differences: tuple[Difference, ...] = ()
    share_unknown: dict[Axle, str] = field(default_factory=dict)

    def left_share(self, axle: Axle) -> Estimate:
        """Return the left share of an axle's load [1], or an unknown one with the reason."""
        if axle in self.load_share:
            return self.load_share[axle].left_share
        why = self.share_unknown.get(axle, f"wheel loads of the {axle} axle could not be worked out")
        return Estimate.unknown("1", why)
