"""Check of the forward acceleration against the change of speed, which alone tells forward from sideways."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.ingest.health.signals import Findings, Signals, moving_correlation
from analyzer.ingest.recording import Verdict

STRAIGHT: Final = 2.0
"""Lateral force up to which a car goes where it points [m/s2]; sideways it brakes without slowing along x."""
SPEEDING: Final = 1.0
"""Change of speed that is told from noise [m/s2]."""
LEAST_BLOCKS: Final = 8
CLEAR: Final = 0.8
RATIOS: Final = (0.4, 2.5)
"""Forward force over change of speed outside of which a unit is wrong; pitch and grade make it 0.9 to 1.15,
and the nearest unit that could be meant lies 3.6 away (km/h and m/s)."""
LARGEST: Final = 3.0
"""Forward force over half seconds that no car reaches, in g."""
AXIS_MARGIN: Final = 0.3
"""How much more one axis must go with the change of speed than the other (engineering judgement)."""


def check_forward_size(found: Findings, signals: Signals) -> None:
    """Check that forward acceleration is of a size that cars reach."""
    if not signals.trusted("accel_x"):
        return
    means = signals.mean("accel_x")
    finite = means[np.isfinite(means)]
    largest = float(np.percentile(np.abs(finite), 98)) / STANDARD_GRAVITY if len(finite) >= 12 else 0.0
    if largest > LARGEST:
        text = f"Reaches {largest:.0f} g, which no car does: wrong unit (logger.channels.accel_x.unit)."
        found.add("unit", "accel_x", Verdict.BAD, largest, LARGEST, "g", text)


def check_forward(found: Findings, signals: Signals) -> None:
    """Check unit and sign of forward acceleration."""
    if not all(signals.trusted(name) for name in ("accel_x", "speed", "accel_y")):
        return
    if len(signals.still) < LEAST_BLOCKS:
        found.untested("sign", "accel_x", "The log is too short.")
        return
    means = signals.mean("accel_x")
    with np.errstate(invalid="ignore"):
        rate = np.gradient(signals.mean("speed"), signals.block / signals.base.rate)
        used = (np.abs(rate) > SPEEDING) & (np.abs(signals.mean("accel_y")) < STRAIGHT) & ~signals.still
    used &= np.isfinite(means) & np.isfinite(rate)
    if used.sum() < LEAST_BLOCKS or float(rate[used].std()) < SPEEDING:
        found.untested("sign", "accel_x", "Too little braking and accelerating on the straight to tell.")
        return
    r = float(np.corrcoef(means[used], rate[used])[0, 1]) if float(means[used].std()) > 0.0 else 0.0
    ratio = float(means[used].std() / rate[used].std())
    if abs(r) < CLEAR:
        found.untested("sign", "accel_x", "Does not follow the change of speed closely enough to tell.")
    elif r < 0.0:
        text = "Goes against the change of speed: wrong sign (logger.channels.accel_x.sign)."
        found.add("sign", "accel_x", Verdict.BAD, r, 0.0, "1", text)
    elif not RATIOS[0] < ratio < RATIOS[1]:
        text = (
            f"Is {ratio:.3g} times the change of speed: wrong unit of accel_x or speed "
            "(logger.channels.….unit)."
        )
        found.add("unit", "accel_x", Verdict.BAD, ratio, RATIOS[1], "1", text)
    else:
        found.add("sign", "accel_x", Verdict.GOOD, r, 0.0, "1", "Goes with the change of speed.")


def forward_axis(signals: Signals) -> str | None:
    """Return the acceleration that goes with the change of speed; None where neither clearly does."""
    if not all(signals.trusted(name) for name in ("speed", "accel_x", "accel_y")):
        return None
    if len(signals.still) < 2:  # one block has no change of speed
        return None
    rate = np.gradient(signals.mean("speed"), signals.block / signals.base.rate)
    r = {n: abs(moving_correlation(rate, signals.mean(n), signals.still)) for n in ("accel_x", "accel_y")}
    best = max(r, key=lambda name: r[name])
    return best if r[best] > min(r.values()) + AXIS_MARGIN else None
