"""Checks of the damper pots against damper stroke, their own zero, each other and the car's accelerations."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.core.signals import BLOCK_SECONDS, run_edges, runs_of
from analyzer.ingest.checks import inputs, senses
from analyzer.ingest.checks.inputs import Findings, Floats, Signals
from analyzer.ingest.checks.senses import Explanation, Fault, Moved
from analyzer.ingest.recording import LEAST_HIT_RATE, Check, Verdict
from analyzer.ingest.zero import FAR_FROM_ZERO, STROKE_MARGIN

MOST_OUTSIDE: Final = 0.02
DRIFT: Final = 0.004
"""Shift of a pot's zero within a run that is no friction any more [m]; engineering judgement."""
WORST_DRIFT: Final = 0.015
STEP_OVER_OTHERS: Final = 3.0
RATE_LOSS: Final = 0.20
"""Largest tolerated loss of a sampled peak; engineering judgement."""
HOP_HZ: Final = 15.0
"""Frequency of wheel hop, common practice, no source."""
LOWEST_RATE: Final = 8.0
"""Below this not even roll is told [Hz]: a lap's roll lies below 1 Hz; the rigid-body engine's gradients come
out to 0.1 % at 10 Hz."""


def check_pots(signals: Signals) -> Findings:
    """Run all checks of the pots."""
    found = Findings()
    pots = [name for name in inputs.POTS if name in signals.data]
    dead = {name for name in pots if not signals.trusted(name)}
    for name in pots:
        _range(found, signals, name)
        _outside_table(found, signals, name)
        _rate(found, signals, name)
    alive = [name for name in pots if name not in dead]
    for name in alive:
        _far_zero(found, signals, name)
    _zero_drift(found, signals, alive)
    _slips(found, signals, alive)
    _wiring(found, signals, alive)
    return found


def _range(found: Findings, signals: Signals, name: str) -> None:
    axle = signals.axle_of(name)
    damper = None if axle is None else axle.damper
    if damper is None or (damper.full_bump is None and damper.full_droop is None):
        key = "front" if name[-2] == "F" else "rear"
        found.untested(Check.STROKE, name, f"{key}.damper.full_bump and full_droop are not in the car sheet.")
        return
    values = signals.data[name]
    # A margin for the zero, which is known to a millimetre or two at best.
    high = np.inf if damper.full_bump is None else damper.full_bump.value + STROKE_MARGIN
    low = -np.inf if damper.full_droop is None else -damper.full_droop.value - STROKE_MARGIN
    beyond = (values > high) | (values < low)
    share = float(beyond.mean())
    if not share:
        found.add(
            Check.STROKE, name, Verdict.GOOD, 0.0, MOST_OUTSIDE, "1", "Stays within the damper's stroke."
        )
        return
    # Marked sample by sample: a damper cannot be there, so the pot was not with it.
    for first, end in runs_of(beyond):
        found.mark(name, first, end)
    where = signals.seconds(int(np.argmax(beyond)))
    comment = (
        f"Reads up to {np.nanmax(values) * 1000:.0f} mm and down to "
        f"{np.nanmin(values) * 1000:.0f} mm, beyond the damper's "
        f"stroke for {share:.2%} of the run, first at {where:.2f} s; check calibration and zero."
    )
    verdict = Verdict.BAD if share > MOST_OUTSIDE else Verdict.SUSPECT
    found.add(Check.STROKE, name, verdict, share, MOST_OUTSIDE, "1", comment)


def _outside_table(found: Findings, signals: Signals, name: str) -> None:
    flags = signals.outside.get(name)
    if flags is None:
        return
    share = float(flags.mean())
    verdict = Verdict.GOOD if not share else Verdict.SUSPECT if share <= MOST_OUTSIDE else Verdict.BAD
    comment = (
        "Every reading lies within the calibration pairs."
        if not share
        else f"{share:.2%} of the readings lie beyond the calibration pairs "
        f"(logger.channels.{name}.volts); left out."
    )
    found.add(Check.CALIBRATION_RANGE, name, verdict, share, MOST_OUTSIDE, "1", comment)


def _rate(found: Findings, signals: Signals, name: str) -> None:
    """Give the worst-case loss of a sampled peak, 1 - cos(pi f / rate) of a sine of frequency f."""
    rate = signals.base.rate
    loss = 1.0 - float(np.cos(np.pi * min(HOP_HZ / rate, 1.0)))
    verdict = Verdict.GOOD if loss <= RATE_LOSS else Verdict.SUSPECT if rate >= LOWEST_RATE else Verdict.BAD
    comment = (
        f"At {rate:.4g} Hz a peak of wheel hop ({HOP_HZ:g} Hz) is read up to {min(loss, 1.0):.0%} too low."
    )
    if LOWEST_RATE <= rate < LEAST_HIT_RATE:
        comment = f"At {rate:.4g} Hz roll can be told, but hits cannot: they fall between the samples."
    found.add("sample rate", name, verdict, loss, RATE_LOSS, "1", comment)


def _far_zero(found: Findings, signals: Signals, name: str) -> None:
    """Compare the reading on straight level running with static ride height."""
    middle = _straight_reading(signals, name)
    far = abs(middle) > FAR_FROM_ZERO
    comment = (
        f"Reads {middle * 1000:.0f} mm on the straight: the zero is not set. State "
        f"logger.channels.{name}.static "
        "or a level stretch."
        if far
        else "Moves about static ride height."
    )
    verdict = Verdict.SUSPECT if far else Verdict.GOOD
    found.add(Check.ZERO_OF_RUN, name, verdict, middle * 1000.0, FAR_FROM_ZERO * 1000.0, "mm", comment)


def _straight_reading(signals: Signals, name: str) -> float:
    """Return the travel at no lateral force from a straight line through the blocks, else the median [m]."""
    level = signals.mean(name)
    if signals.trusted("accel_y"):
        lateral = signals.mean("accel_y")
        used = np.isfinite(level) & np.isfinite(lateral)
        if used.sum() >= 12 and float(lateral[used].std()) > senses.CORNERING_SPREAD:
            return float(np.polyfit(lateral[used], level[used], 1)[1])
    values = signals.data[name]
    return float(np.nanmedian(values[:: max(1, len(values) // 20_000)]))


def _zero_drift(found: Findings, signals: Signals, pots: list[str]) -> None:
    """Compare the readings of separate standing stretches."""
    starts, ends = run_edges(signals.still)
    long = (ends - starts) * BLOCK_SECONDS >= 2.0
    starts, ends = starts[long], ends[long]
    for name in pots:
        stands = [signals.mean(name)[a:b] for a, b in zip(starts, ends, strict=True)]
        levels = [float(np.nanmedian(part)) for part in stands if np.isfinite(part).any()]
        if len(levels) < 2:
            found.untested("zero drift", name, "The car does not stand twice in this run.")
            continue
        drift = max(levels) - min(levels)
        verdict = Verdict.GOOD if drift <= DRIFT else Verdict.SUSPECT if drift <= WORST_DRIFT else Verdict.BAD
        comment = (
            "Stands at the same reading each time."
            if verdict is Verdict.GOOD
            else f"Stands {drift * 1000:.1f} mm apart within the run; check the bracket and the rod "
            "end of the pot."
        )
        found.add("zero drift", name, verdict, drift * 1000.0, DRIFT * 1000.0, "mm", comment)


@dataclass(frozen=True, slots=True)
class _Shift:
    """Largest change of level of a pot beyond what its accelerations explain."""

    step: float
    when: int
    scatter: float


def _slips(found: Findings, signals: Signals, pots: list[str]) -> None:
    """Find a pot whose level shifts in mid-run while the others keep theirs."""
    accels = [n for n in ("accel_x", "accel_y", "accel_z") if signals.trusted(n)]
    used = signals.moving_blocks(*pots, *accels) if pots else np.zeros(0, dtype=bool)
    if used.sum() < 30 or "accel_y" not in accels or len(pots) < 3:
        for name in pots:
            found.untested(
                Check.SLIPPED, name, "Needs 15 s of driving with lateral acceleration and three pots."
            )
        return
    # What load and cornering do to the level is taken out first.
    basis, _ = np.linalg.qr(_regressors(signals, accels, used))
    shifts = {name: _largest_shift(signals.mean(name)[used], basis) for name in pots}
    where = np.flatnonzero(used)
    for name in pots:
        others = [abs(shifts[o].step) for o in pots if o != name]
        shift = shifts[name]
        size = abs(shift.step)
        # Three conditions: large by itself, larger than what the other pots do (fuel, tyres), and larger than
        # its own scatter.
        slipped = (
            size > DRIFT
            and size > STEP_OVER_OTHERS * max(float(np.median(others)), 0.0005)
            and size > 2.0 * shift.scatter
        )
        verdict = Verdict.GOOD if not slipped else Verdict.SUSPECT if size < WORST_DRIFT else Verdict.BAD
        when = signals.seconds(int(where[shift.when]) * signals.block)
        comment = (
            f"Its level shifts by {shift.step * 1000:+.1f} mm at about {when:.0f} s while the "
            "others keep theirs: arm or bracket slipped."
            if slipped
            else "Keeps its level through the run."
        )
        found.add(Check.SLIPPED, name, verdict, size * 1000.0, DRIFT * 1000.0, "mm", comment)


def _regressors(
    signals: Signals, accels: list[str], used: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> Floats:
    columns = [np.ones(int(used.sum()))]
    for name in accels:
        mean = signals.mean(name)[used]
        columns += [mean, np.abs(mean - mean.mean())]
    return np.column_stack(columns)


def _largest_shift(level: Floats, basis: Floats) -> _Shift:
    """Return the split of a run that parts the unexplained level most: least squares with a step at each."""
    residual = level - basis @ (basis.T @ level)
    n = len(level)
    total = np.cumsum(residual)
    splits = np.arange(max(6, n // 10), n - max(6, n // 10))
    # Sum of squares that a step at the split explains, with the step's own part along the regressors removed.
    steps_basis = np.cumsum(basis[::-1], axis=0)[::-1][splits]
    free = (n - splits) - (steps_basis**2).sum(axis=1)
    lift = total[-1] - total[splits - 1]
    size = lift / np.maximum(free, 1e-9)
    gain = np.where(free > 0.02 * n, lift * size, 0.0)
    best = int(np.argmax(gain))
    left = float((residual**2).sum() - gain[best])
    scatter = float(np.sqrt(max(left, 0.0) / n))
    return _Shift(float(size[best]), int(splits[best]), scatter)


def _wiring(found: Findings, signals: Signals, pots: list[str]) -> None:
    """Tell inverted pots and exchanged sides or ends by the signs of travel on lateral and forward force."""
    side, end = senses.pot_senses(signals, pots)
    verdicts: dict[str, tuple[str, str]] = {}
    inverted = ("inverted", "goes the wrong way in turns and under braking: its sign is wrong")
    swapped = (
        "swapped",
        "moves as the other side should: left and right pots are exchanged, or both inverted",
    )
    for pair in inputs.PAIRS:
        wrong = [pot for pot in pair if side.get(pot, 0.0) < 0]
        braking = [pot for pot in pair if end.get(pot, 0.0) < 0]
        if len(wrong) == 1:
            verdicts[wrong[0]] = ("inverted", "goes the wrong way in turns: its sign is wrong")
        elif wrong and len(braking) != 1:
            verdicts |= dict.fromkeys(pair, inverted if braking else swapped)
    _ends(verdicts, side, end)
    _others(verdicts, side, end)
    # Whatever else counts the other way is heard before the pots are blamed.
    fits = senses.possible(signals)
    if fits and fits[0]:
        verdicts = _explained(verdicts, fits)
    for name in pots:
        for check in ("inverted", "swapped"):
            _wiring_row(found, name, check, verdicts.get(name), side, end)


def _explained(
    verdicts: dict[str, tuple[str, str]], fits: tuple[Explanation, ...]
) -> dict[str, tuple[str, str]]:
    """Return the verdicts on four pots by what fits all that the car did."""
    small = senses.simplest(fits)
    moved = [fault for faults in small for fault in faults if isinstance(fault, Moved)]
    if moved:
        text = "does not move as this corner should: pots are exchanged or count the other way. "
        whole = {fault for faults in small for fault in faults} & {Fault.POTS, Fault.SIDES, Fault.ENDS}
        check = dict.fromkeys(inputs.POTS, "swapped") if whole else {}
        check |= {one.pot: "inverted" if one.reads == one.pot else "swapped" for one in reversed(moved)}
        return {pot: (kind, text + senses.named(fits)) for pot, kind in check.items()}
    text = f"moves against the forces on the car. {senses.named(fits)}"
    # What stands in every explanation is certain, and of several the one of fewest faults is held to be so.
    held = small[0] if len(small) == 1 else frozenset.intersection(*fits)
    if Fault.POTS in held:
        return dict.fromkeys(inputs.POTS, ("inverted", text))
    if held & {Fault.SIDES, Fault.ENDS}:
        return dict.fromkeys(inputs.POTS, ("swapped", text))
    # Of the inertial unit alone its own checks say so.
    return {} if len(small) == 1 else {name: (check, text) for name, (check, _) in verdicts.items()}


def _ends(verdicts: dict[str, tuple[str, str]], side: dict[str, float], end: dict[str, float]) -> None:
    for front, rear in (("damper_FL", "damper_RL"), ("damper_FR", "damper_RR")):
        if (
            end.get(front, 0.0) < 0
            and end.get(rear, 0.0) < 0
            and side.get(front, 0.0) > 0
            and side.get(rear, 0.0) > 0
        ):
            text = "moves as the other end should under braking: front and rear pots are exchanged"
            verdicts[front] = verdicts[rear] = ("swapped", text)


def _others(verdicts: dict[str, tuple[str, str]], side: dict[str, float], end: dict[str, float]) -> None:
    """Name what moves as no single exchange explains: pots moved round among three or four corners."""
    text = "does not move as this corner should: pots are exchanged among corners"
    for left, right in inputs.PAIRS:
        for name, other in ((left, right), (right, left)):
            # One end of the car may rise under braking by its geometry, but then on both sides.
            one_end_only = end.get(name, 0.0) < 0 < end.get(other, 0.0)
            if name not in verdicts and (side.get(name, 0.0) < 0 or one_end_only):
                verdicts[name] = ("swapped", text)


def _wiring_row(
    found: Findings,
    name: str,
    check: str,
    verdict: tuple[str, str] | None,
    side: dict[str, float],
    end: dict[str, float],
) -> None:
    figure = side.get(name) if check == "inverted" else end.get(name)
    if verdict is not None and verdict[0] == check:
        text = f"This pot {verdict[1]} (logger.channels.{name}.sign or .column)."
        found.add(check, name, Verdict.BAD, side.get(name, 0.0), 0.0, "1", text)
    elif figure is None or figure == 0.0:
        reason = (
            "Too little cornering to tell." if check == "inverted" else "Too little clear braking to tell."
        )
        found.untested(check, name, reason)
    else:
        found.add(check, name, Verdict.GOOD, figure, 0.0, "1", "Moves as this corner should.")
