"""Log files of one run to a `Recording`: read, calibrate, place on one time base, zero, check."""

import ctypes
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from analyzer.core.errors import LogError
from analyzer.core.filebacked import by_pieces, shelved
from analyzer.core.signals import Blocks
from analyzer.core.units import AXLE_CORNERS, AXLES, Corner, Uncertain
from analyzer.ingest.attitude import turned_to_the_car
from analyzer.ingest.calibration import check_between_pairs, found_axes, join_wraps, static_reading, turn_axes
from analyzer.ingest.channels import guess_channels, require_any
from analyzer.ingest.checks import check_channels
from analyzer.ingest.checks.clock import take_right_clock
from analyzer.ingest.clocks import ClockMatch, found_clock, match_clocks, one_clock, stated_clock
from analyzer.ingest.logfile import HOUSE_CHANNELS, LogFile, load_files
from analyzer.ingest.open import held
from analyzer.ingest.recording import HealthRow, Recording, Verdict
from analyzer.ingest.repeats import row_prints
from analyzer.ingest.timebase import GAP_FACTOR, Placer, TimeBase, base_over, decimated, sample_interval
from analyzer.ingest.zero import found_lifts, lift_rows, without, without_stuck, zero_pots
from analyzer.sheets.car import CarSheet, Channel, Logger

MOST_HOLES: Final = 50
"""Samples of the uniform base per row of the log above which the time column was misread."""
_WORST_FIRST: Final = {Verdict.BAD: 0, Verdict.SUSPECT: 1, Verdict.NOT_TESTED: 2, Verdict.GOOD: 3}


def read_recording(
    run: str,
    paths: Sequence[Path],
    car: CarSheet,
    level: tuple[float, float] | None = None,
    clock_offsets: Sequence[float] | None = None,
    zeros: Mapping[str, Uncertain] = MappingProxyType({}),
) -> Recording:
    """Read the logs of one run.

    Parameters
    ----------
    run : str
        Name of the run.
    paths : sequence of Path
        Its files; several when loggers with clocks of their own recorded it.
    car : CarSheet
        Channel map, calibration, orientation of the inertial unit, damper strokes.
    level : tuple of float or None
        Stretch of log time in which the car stands or runs level [s]; overrides the car sheet's.
    clock_offsets : sequence of float or None
        One per file: what to add to its clock [s].
    zeros : mapping
        Pot -> its zero in other runs [m], where this one tells none (`zero.shared_zero`).

    Returns
    -------
    Recording
        House channels in SI on one uniform base; gaps are NaN and suspect.

    Raises
    ------
    LogError
        One plain line when the log cannot be read or would have to be guessed.
    """
    if level is None and car.logger.level is not None:
        level = (car.logger.level[0].value, car.logger.level[1].value)
    recording = turned_to_the_car(_read(run, paths, car.logger, car, level, clock_offsets, zeros), car)
    give_back(8 * recording.data.size)  # what was read on the way is gone by now
    return recording


def read_loose_log(path: Path) -> Recording:
    """Read a log without a car sheet; the channels are guessed from its header.

    Pots in volts cannot become travel without a calibration; they are carried as ``other_damper_…``.

    Raises
    ------
    LogError
        As `read_recording`, and when no column could be recognised.
    """
    guesses = guess_channels(path)
    require_any(guesses, path)
    channels: dict[str, Channel] = {}
    said: list[str] = []
    for guess in guesses.channels:
        name = f'column "{guess.column}"'
        # Carried so that it can be looked at, but under a name that no estimate takes up.
        if guess.in_volts or not guess.unit:
            channels[f"other_{guess.house}"] = Channel(column=guess.column)
            lack = "in volts" if guess.in_volts else "without a unit"
            said.append(
                f"{name} may be {guess.house} ({guess.reason}), but is {lack}; carried as logged "
                f"(logger.channels.{guess.house})"
            )
        else:
            channels[guess.house] = Channel(column=guess.column, unit=guess.unit)
            said.append(
                f"{name} read as {guess.house} in {guess.unit}: {guess.reason} "
                f"(logger.channels.{guess.house})"
            )
    made = _read(path.stem, [path], Logger(channels=channels), None, None, None)
    return replace(made, steps=(*said, *guesses.notes, *made.steps))


@dataclass(slots=True)
class _Assembly:
    """A run on its way to a recording."""

    steps: list[str] = field(default_factory=list)
    health: list[HealthRow] = field(default_factory=list)
    data: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    outside: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    complete: set[str] = field(default_factory=set)
    zero_std: dict[str, float] = field(default_factory=dict)
    zero: dict[str, float] = field(default_factory=dict)


def _read(
    run: str,
    paths: Sequence[Path],
    logger: Logger,
    car: CarSheet | None,
    level: tuple[float, float] | None,
    clock_offsets: Sequence[float] | None,
    zeros: Mapping[str, Uncertain] = MappingProxyType({}),
) -> Recording:
    with held(paths) as sources:
        groups = [load_files(path, logger, shared=len(paths) > 1) for path in paths]
        read = sources()
    files = [file for group in groups for file in group]
    for file in files:
        if file.rivals:
            take_right_clock(file, logger)
    made = _Assembly()
    for file in files:
        prefix = f"{file.path.name}: " if len(paths) > 1 else ""
        made.steps += [prefix + step for step in file.steps]
        made.health += file.health
        # Before anything compares pots: clocks, zeros and checks take a wrap for travel.
        rows, steps = join_wraps(file.channels, file.seconds, file.outside)
        made.health += rows
        made.steps += [prefix + step for step in steps]
    # Clocks before the base, the base before channels: what is placed can no longer be shifted for itself.
    _align_clocks(made, groups, clock_offsets)
    base = _common_base(made, files)
    prints = row_prints(files, base)  # placing takes the files' channels away
    for file in files:
        _place(made, file, base)
    if not made.data:
        raise LogError(
            paths[0], "", "holds no channel with samples", "check logger.channels in the car sheet"
        )
    # The unit is turned before the pots are zeroed: standing still on the level is told by gravity.
    blocks = Blocks(made.data, base.rate)
    _turn(made, blocks, logger, paths[0])
    # A car on stands tells neither a zero nor what a sensor should show: from here on that time is not seen.
    lifts = found_lifts(blocks, _droop(car))
    made.health += lift_rows(lifts, base.start, base.rate)
    seen = Blocks(without(made.data, lifts), base.rate) if lifts else blocks
    _zero(made, seen, base, logger, level, paths[0], zeros)
    # Checks see the channels as they will be used.
    found = check_channels(seen, made.outside, base, logger, car, made.complete, len(paths) == 1, lifts)
    made.health += found.rows
    # Where it is lifted it does not stand on its wheels; what the body feels is true all the same.
    for name in (n for n in made.data if n.startswith("damper_")):
        for lift in lifts:
            found.mark(name, lift.first, lift.end)
    frame, suspect = _frames(made, base, found.marks)
    return Recording(
        run=run,
        data=frame,
        suspect=suspect,
        sample_rate=base.rate,
        sources=read,
        health=tuple(
            sorted(made.health, key=lambda row: (row.channel, _WORST_FIRST[row.verdict], row.check))
        ),
        steps=tuple(made.steps),
        zero_std=made.zero_std,
        zero=made.zero,
        prints=prints,
        lifts=lifts,
    )


def _align_clocks(made: _Assembly, groups: list[list[LogFile]], offsets: Sequence[float] | None) -> None:
    """Bring the clocks of all logs to that of the first one: as stated, or as both logs' motion shows.

    A group is what came of one log; its parts share a clock.
    """
    lead = groups[0][0]
    if offsets is not None and len(offsets) != len(groups):
        raise LogError(
            lead.path,
            "",
            f"the run has {len(groups)} logs and {len(offsets)} clock_offsets",
            "give one per log",
        )
    # Logs that state date or clock time are brought together by that first; what is left is a small offset.
    for group in groups[1:]:
        if lead.origin is not None and group[0].origin is not None:
            _shift(group, group[0].origin - lead.origin)
    if offsets is not None and offsets[0]:
        _shift(groups[0], offsets[0])
    for index, group in enumerate(groups[1:], start=1):
        if offsets is not None:
            _shift(group, offsets[index])
            made.steps.append(
                f"{group[0].path.name}: {offsets[index]:+g} s on its clock (runs.clock_offsets)"
            )
        # Files cut from one recording share their stamps and need no match.
        same = one_clock(groups[0][0], group[0]) if offsets is None else None
        if same is not None:
            made.health.append(same)
            made.steps.append(same.comment.rstrip(".") + " (runs.clock_offsets)")
            continue
        first, file, match = _best_pair(groups[0], group)
        if offsets is not None:
            made.health.append(stated_clock(match, file))
            continue
        before = file.seconds
        row, file.seconds, step = found_clock(match, first, file)
        made.health.append(row)
        made.steps.append(step)
        # Parts of one log share its clock, so they move with the part that was matched, drift included.
        for other in group:
            if other is not file:
                other.seconds = other.seconds + np.interp(other.seconds, before, file.seconds - before)


def _shift(group: list[LogFile], by: float) -> None:
    for file in group:
        file.seconds = file.seconds + by


def _best_pair(firsts: list[LogFile], others: list[LogFile]) -> tuple[LogFile, LogFile, ClockMatch | None]:
    """Return the parts of two logs whose motion matches best."""
    found = [(first, other, match_clocks(first, other)) for first in firsts for other in others]
    return max(found, key=lambda f: -1.0 if f[2] is None else f[2].certain + min(f[2].match, 0.99))


def _own_interval(file: LogFile, name: str) -> float | None:
    """Return the usual distance of the samples of one channel [s]; None when it has fewer than two."""
    if name in file.complete:
        return file.interval
    good = np.isfinite(file.channels[name])
    count = int(good.sum())
    if count < 2:
        return None
    if count > 0.7 * len(good):
        return file.interval
    return sample_interval(file.seconds[good])


def _common_base(made: _Assembly, files: list[LogFile]) -> TimeBase:
    """Return the base of the run: the rate of the fastest pots, or of the fastest channel without pots."""
    intervals = {
        (i, name): interval
        for i, file in enumerate(files)
        for name in file.channels
        if (interval := _own_interval(file, name)) is not None
    }
    if not intervals:
        raise LogError(
            files[0].path, "", "has no channel with samples", "check logger.channels in the car sheet"
        )
    # The pots lead: bottoming needs every sample of theirs, and a slower base would thin them.
    for prefix in ("damper_", "accel_", "gyro_", ""):
        leading = {key: value for key, value in intervals.items() if key[1].startswith(prefix)}
        if leading:
            break
    key = min(leading, key=lambda k: leading[k])
    interval = leading[key]
    lead = files[key[0]]
    # A slow channel among fast rows has the stamps of its own samples, not of all rows.
    stamps = (
        lead.seconds[np.isfinite(lead.channels[key[1]])]
        if interval > GAP_FACTOR * lead.interval
        else lead.seconds
    )
    start = float(stamps[0])
    end = max(float(file.seconds[-1]) for file in files)
    earliest = min(float(file.seconds[0]) for file in files)
    start -= interval * max(0, int(np.floor((start - earliest) / interval + 0.01)))
    try:
        base = base_over(start, end, interval)
    except ValueError:
        raise LogError(
            lead.path, "time", f"spans {end - start:g} s at {1 / interval:g} Hz", "check its unit and holes"
        ) from None
    # One wrong stamp of years would ask for a base larger than memory.
    rows = sum(len(file.seconds) for file in files)
    if base.count > MOST_HOLES * rows + 1_000_000:
        raise LogError(
            lead.path,
            "time",
            f"spans {end - start:g} s with only {rows} rows",
            "check its unit, or cut the log",
        )
    made.steps.append(f"uniform base of {base.rate:.6g} Hz from {base.start:.3f} s, {base.count} samples")
    return base


def _place(made: _Assembly, file: LogFile, base: TimeBase) -> None:
    row_interval = file.interval
    shared = Placer(file.seconds, base, row_interval)
    if shared.interpolates:
        made.steps.append(f"{file.path.name}: stamps lie off the base; values were interpolated between them")
    for name in list(file.channels):
        values = file.channels.pop(name)
        if name in made.data:
            made.steps.append(
                f"{file.path.name}: {name} is in an earlier file of the run, too; that one is used"
            )
            continue
        # The common case: one file, even stamps, no blanks. Nothing is copied.
        if name in file.complete and shared.identical:
            made.complete.add(name)
            made.data[name] = values
            if name in file.outside:
                made.outside[name] = file.outside[name]
            continue
        good = np.isfinite(values)
        count = int(good.sum())
        if count < 2:
            made.data[name] = np.full(base.count, np.nan)
            continue
        # Fast rows share one placing; only slow channels need their own.
        placer, seconds = shared, file.seconds
        if count <= 0.7 * len(values):  # a slow channel among fast rows: blanks mean "no sample"
            own = sample_interval(file.seconds[good])
            if own > GAP_FACTOR * row_interval:
                seconds, values = file.seconds[good], values[good]
                placer = Placer(seconds, base, own)
        made.data[name] = shelved(_fitted(made, name, values, seconds, placer, base))
        if name in file.outside and len(file.outside[name]) == len(values):
            flags = placer.place(file.outside[name].astype(np.float64))
            made.outside[name] = shelved(np.nan_to_num(flags) > 0.0)


def _fitted(
    made: _Assembly,
    name: str,
    values: NDArray[np.float64],
    seconds: NDArray[np.float64],
    placer: Placer,
    base: TimeBase,
) -> NDArray[np.float64]:
    own_rate = 1.0 / placer.interval
    if own_rate <= 1.2 * base.rate:
        return placer.place(values)
    fine = base_over(float(seconds[0]), float(seconds[-1]), placer.interval)
    smooth = decimated(Placer(seconds, fine, placer.interval).place(values), own_rate, base.rate)
    made.steps.append(
        f"{name} brought from {own_rate:.6g} Hz to {base.rate:.6g} Hz behind a symmetric low-pass"
    )
    return Placer(fine.times(), base, placer.interval).place(smooth)


def _turn(made: _Assembly, blocks: Blocks, logger: Logger, path: Path) -> None:
    """Turn the inertial unit's axes to the car's: as stated, or as gravity and motion clearly show."""
    rows: tuple[HealthRow, ...] = ()
    kinds: tuple[str, ...] = ("accel", "gyro")
    axes = logger.imu.axes
    if not axes:
        axes, rows, with_gyro = found_axes(blocks)
        kinds = ("accel", "gyro") if with_gyro else ("accel",)
    made.steps += turn_axes(made.data, axes, path, kinds)
    made.health += rows
    if axes:
        turned = [f"{kind}_{axis}" for kind in kinds for axis in "xyz"]
        # Which sensor axis had every sample is not followed through the turn.
        made.complete -= set(turned)
        blocks.forget(turned)


def _zero(
    made: _Assembly,
    blocks: Blocks,
    base: TimeBase,
    logger: Logger,
    level: tuple[float, float] | None,
    path: Path,
    borrowed: Mapping[str, Uncertain],
) -> None:
    static: dict[str, Uncertain] = {}
    for name, channel in logger.channels.items():
        bend = check_between_pairs(made.data[name], name, channel) if name in made.data else None
        made.health += [bend] if bend is not None else []
        reading = static_reading(channel, name, path) if name.startswith("damper_") else None
        if reading is not None and name in made.data:
            static[name] = reading
    # A calibration that runs to both sides of nought says that the pot reads nought at rest.
    claimed = {
        name
        for name, channel in logger.channels.items()
        if channel.travel is not None and min(ends := [t.value for t in channel.travel]) < 0.0 < max(ends)
    }
    zeroed = zero_pots(without_stuck(blocks), base.times(), static, level, logger.zero, borrowed, claimed)
    for name, offset in zeroed.offsets.items():
        made.data[name] = _less(made.data[name], offset)
        if blocks.data is not made.data:
            blocks.data[name] = _less(blocks.data[name], offset)
        blocks.shift(name, offset)
    made.zero_std = zeroed.std
    made.zero = {name: zeroed.offsets.get(name, 0.0) for name in zeroed.std}
    made.steps += zeroed.steps
    made.health += zeroed.health


def _lost(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    return by_pieces(len(values), lambda first, end: ~np.isfinite(values[first:end]))


def _less(values: NDArray[np.float64], offset: float) -> NDArray[np.float64]:
    return by_pieces(len(values), lambda first, end: values[first:end] - offset)


def _droop(car: CarSheet | None) -> dict[Corner, float]:
    """Return full droop of the dampers of which the sheet states it [m]."""
    ends = {} if car is None else {axle: car.axle(axle).damper.full_droop for axle in AXLES}
    return {
        corner: end.value for axle, end in ends.items() if end is not None for corner in AXLE_CORNERS[axle]
    }


def _frames(
    made: _Assembly, base: TimeBase, stretches: dict[str, list[tuple[int, int]]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    names = [n for n in HOUSE_CHANNELS if n in made.data] + [n for n in made.data if n not in HOUSE_CHANNELS]
    index = pd.Index(base.times(), name="time_s", copy=False)
    frame = pd.DataFrame({name: made.data[name] for name in names}, index=index, copy=False)
    marks = {
        name: np.zeros(base.count, dtype=bool) if name in made.complete else _lost(made.data[name])
        for name in names
    }
    for name, outside in made.outside.items():
        marks[name] |= outside
    for name, parts in stretches.items():
        for first, end in parts:
            marks[name][first:end] = True
    return frame, pd.DataFrame(marks, index=index, copy=False)


# Memory that reading a long log leaves behind.


WORTH_IT: Final = 8 << 20
"""Bytes of a recording from which its leftovers are worth giving back: below, it costs more than it helps."""


def give_back(recording_bytes: int) -> None:
    """Return freed memory to the system after a recording of so many bytes was read.

    The CSV reader and the C library keep what was freed, in pieces that the estimates' arrays do not fit
    into, so that memory would grow by the size of the log once more.
    """
    if recording_bytes < WORTH_IT:
        return
    pa.default_memory_pool().release_unused()
    if not sys.platform.startswith("linux"):
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
