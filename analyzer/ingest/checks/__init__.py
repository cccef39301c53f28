"""Health checks of one run's channels, grouped by what they look at; each gives rows of one shape."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analyzer.core.signals import Blocks
from analyzer.ingest.checks.clock import check_own_offset
from analyzer.ingest.checks.imu import check_inertial
from analyzer.ingest.checks.inputs import POTS, Findings, Signals
from analyzer.ingest.checks.pots import check_pots
from analyzer.ingest.checks.sensors import check_lost_rows, check_run_gaps, check_sensor
from analyzer.ingest.recording import Check, Lift, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.sheets.car import CarSheet, Logger

# All health checks of one run, in one call.


SHORT: Final = 200_000
"""Samples up to which all channels are checked one after another."""
NEEDED: Final = (*POTS, "accel_y")
HELPFUL: Final = ("accel_x", "accel_z")
"""Channels without which a gradient is missing, or known less well; others are named only when the sheet maps
them."""


def check_channels(
    blocks: Blocks,
    outside: dict[str, NDArray[np.bool_]],
    base: TimeBase,
    logger: Logger,
    car: CarSheet | None,
    complete: set[str],
    one_clock: bool = True,
    lifts: Sequence[Lift] = (),
) -> Findings:
    """Run all checks.

    Parameters
    ----------
    blocks : Blocks
        House channels on the time base [SI] with their block statistics.
    outside : dict
        Channel -> True where the reading lies outside its calibration table.
    base : TimeBase
        The run's times.
    logger : Logger
        What the car sheet says about the logger.
    car : CarSheet or None
        For damper strokes; None for a log without a sheet.
    complete : set of str
        Channels known to have every sample.
    one_clock : bool
        Whether all channels came from one log; offsets between several are found before they are joined.
    lifts : sequence of Lift
        Times in which the car was lifted; `blocks` holds nothing there.
    """
    data = blocks.data
    if lifts:
        complete = set()
    signals = Signals(blocks, base, logger, car, outside, complete, lifts)
    found = _missing(data, logger)
    # Whole-array operations let other threads run meanwhile; short logs are not worth one.
    with ThreadPoolExecutor(max_workers=2) if base.count > SHORT else nullcontext() as pool:
        each = map if pool is None else pool.map
        list(each(signals.mean, data))
        _ = signals.still
        shared = np.full(base.count, not complete)
        for values in data.values():
            if shared.any():
                shared &= np.isnan(values)
        found.join(check_run_gaps(signals, shared))
        lost, skips = check_lost_rows(signals)
        found.join(lost)
        for part in each(lambda name: check_sensor(signals, name, shared, skips), data):
            found.join(part)
    if found.held:
        # What was stuck for a part of the run is judged by the rest of it.
        signals = signals.without(found.held)
    signals.heed(found)
    for check in (check_inertial, check_pots):
        part = check(signals)
        signals.heed(part)
        found.join(part)
    # Last, since a channel that is wrong is no witness of time.
    if one_clock:
        check_own_offset(found, signals)
    return found


def _missing(data: dict[str, NDArray[np.float64]], logger: Logger) -> Findings:
    found = Findings()
    for name in dict.fromkeys((*NEEDED, *HELPFUL, *logger.channels)):
        if name == "time" or name in data:
            continue
        mapped = logger.channels.get(name)
        # A sheet that maps others and leaves this one out says that the car has no such sensor.
        if name in HELPFUL and logger.channels and mapped is None and f"other_{name}" not in data:
            found.untested(Check.MISSING, name, f"Not logged (logger.channels.{name}).")
            continue
        why = f'column "{mapped.column}" is not in the log' if mapped else "no column was found"
        comment = f"Not logged: {why} (logger.channels.{name})."
        if f"other_{name}" in data:
            comment = (
                f"Logged without a unit or in sensor volts: state its calibration (logger.channels.{name})."
            )
        found.add(Check.MISSING, name, Verdict.BAD, None, None, "", comment)
    return found
