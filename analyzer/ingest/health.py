"""Checks of one run's channels, each a row: missing, gaps, stuck, saturated, inverted."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.constants import AXLE_CORNERS, STANDARD_GRAVITY
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.ingest.zero import block_spread
from analyzer.sheets.car import CarSheet
from analyzer.sheets.logger import Logger

Channels = dict[str, NDArray[np.float64]]

NEEDED: Final = (
    *(f"damper_{c}" for pair in AXLE_CORNERS.values() for c in pair),
    "accel_x",
    "accel_y",
    "accel_z",
)
STUCK_SECONDS: Final = 1.0
MOST_STUCK: Final = 0.5
SATURATED_SHARE: Final = 0.01
CORNERING: Final = 0.2 * STANDARD_GRAVITY


def check_channels(
    data: Channels,
    outside: dict[str, NDArray[np.bool_]],
    base: TimeBase,
    logger: Logger,
    car: CarSheet | None,
) -> list[HealthRow]:
    """Run all checks; returns rows in no particular order."""
    rows = _missing(data, logger)
    for name, values in data.items():
        rows.append(_gaps(name, values, base))
        rows.append(_stuck(name, values, base))
    for axle, (left, right) in AXLE_CORNERS.items():
        rows += _inverted(data, axle, f"damper_{left}", f"damper_{right}", base)
    return rows


def _missing(data: Channels, logger: Logger) -> list[HealthRow]:
    rows = []
    for name in dict.fromkeys((*NEEDED, *logger.channels)):
        if name == "time" or name in data:
            continue
        mapped = logger.channels.get(name)
        column = f'column "{mapped.column}" is not in the log' if mapped else "no column was found"
        rows.append(
            HealthRow(
                "missing",
                name,
                Verdict.BAD,
                None,
                None,
                "",
                f"Not logged: {column} (logger.channels.{name}).",
            )
        )
    return rows


def _gaps(name: str, values: NDArray[np.float64], base: TimeBase) -> HealthRow:
    lost = ~np.isfinite(values)
    share = float(lost.mean())
    edges = np.diff(np.concatenate([[0], lost.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if len(starts) == 0:
        return HealthRow("gap", name, Verdict.GOOD, 0.0, 0.0, "s", "No sample is missing.")
    longest = float((ends - starts).max() / base.rate)
    verdict = Verdict.BAD if share > 0.5 else Verdict.SUSPECT
    where = base.start + starts[int(np.argmax(ends - starts))] / base.rate
    return HealthRow(
        "gap",
        name,
        verdict,
        longest,
        0.0,
        "s",
        f"{len(starts)} gaps, {share:.1%} of the run; the longest begins at {where:.2f} s.",
    )


def _stuck(name: str, values: NDArray[np.float64], base: TimeBase) -> HealthRow:
    """A channel that keeps exactly one value for most of the run is stuck."""
    both = np.isfinite(values[1:]) & np.isfinite(values[:-1])
    count = int(both.sum())
    if count < 10:
        return HealthRow("stuck", name, Verdict.BAD, None, MOST_STUCK, "1", "Holds no samples.")
    same = float(((values[1:] == values[:-1]) & both).sum() / count)
    flat = float(np.nanmax(values) - np.nanmin(values)) == 0.0
    verdict = Verdict.BAD if flat else Verdict.GOOD
    comment = f"Never leaves {values[np.isfinite(values)][0]:.4g}." if flat else "Moves."
    return HealthRow("stuck", name, verdict, same, MOST_STUCK, "1", comment)


def _inverted(data: Channels, axle: str, left: str, right: str, base: TimeBase) -> list[HealthRow]:
    """In a left turn (positive lateral force) the right pot must go in and the left one out."""
    if "accel_y" not in data:
        return []
    rows = []
    block = max(2, round(0.5 * base.rate))
    force, _ = block_spread(data["accel_y"], block)
    for name, sign in ((left, -1.0), (right, 1.0)):
        if name not in data:
            continue
        travel, _ = block_spread(data[name], block)
        both = np.isfinite(force) & np.isfinite(travel)
        if both.sum() < 10 or force[both].std() < 0.5 * CORNERING or travel[both].std() == 0.0:
            text = "Too little cornering to tell."
            rows.append(
                HealthRow("sign against lateral force", name, Verdict.NOT_TESTED, None, None, "1", text)
            )
            continue
        r = sign * float(np.corrcoef(force[both], travel[both])[0, 1])
        bad = r < -0.5
        text = (
            f"Goes the wrong way in turns; check the sign and the side (logger.channels.{name}.sign)."
            if bad
            else "Goes the right way in turns."
        )
        rows.append(
            HealthRow(
                "sign against lateral force", name, Verdict.BAD if bad else Verdict.GOOD, r, -0.5, "1", text
            )
        )
    return rows
