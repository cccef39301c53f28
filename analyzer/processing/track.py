"""Where the car went: GPS track in a local plane, and the profile of a run that alignment goes by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.ingest.recording import Recording
from analyzer.processing.filters import Bools, Floats, filled, lowpass_taps, runs_of, smooth, widened
from analyzer.processing.results import Motion
from analyzer.processing.working import raw_suspect
from analyzer.sheets.course import Gate

EARTH_RADIUS: Final = 6371008.8
"""Mean radius of the Earth [m] (IUGG). In a plane of a few km its flattening changes lengths by 0.3 %."""
TRACK_BAND: Final = 1.0
"""Low-pass of the track [Hz]: GPS comes at 1 to 25 Hz and a car's path bends slower than this."""
SHAPE_BAND: Final = 0.7
"""Low-pass of the turning that runs are matched by [Hz]."""


@dataclass(frozen=True, slots=True)
class Track:
    """The path of a run on the working base.

    Parameters
    ----------
    east, north : array
        From the first good point of the reference [m].
    suspect : array of bool
        True where there was no good position.
    """

    east: Floats
    north: Floats
    suspect: Bools


def origin_of(recording: Recording) -> tuple[float, float] | None:
    """Return latitude and longitude [rad] of the first good position of a run; None without GPS."""
    if not (recording.usable("latitude") and recording.usable("longitude")):
        return None
    bad = raw_suspect(recording, "latitude") | raw_suspect(recording, "longitude")
    if bad.all():
        return None
    first = int(np.argmin(bad))
    return float(recording.data["latitude"].iloc[first]), float(recording.data["longitude"].iloc[first])


def track_of(recording: Recording, motion: Motion, origin: tuple[float, float]) -> Track | None:
    """Return the track of a run in the plane that touches the Earth at `origin` [rad]; None without GPS.

    Equirectangular projection: on a course of a few km it is right to a few mm.
    """
    if origin_of(recording) is None:
        return None
    bad = raw_suspect(recording, "latitude") | raw_suspect(recording, "longitude")
    latitude, longitude = (
        filled(recording.data[name].to_numpy(dtype=np.float64, copy=False), bad)
        for name in ("latitude", "longitude")
    )
    every = max(1, round(recording.sample_rate / motion.rate))
    count = len(motion.data)
    north = (latitude[::every][:count] - origin[0]) * EARTH_RADIUS
    turn = (longitude[::every][:count] - origin[1] + np.pi) % (2.0 * np.pi) - np.pi
    east = turn * EARTH_RADIUS * np.cos(origin[0])
    taps = lowpass_taps(motion.rate, TRACK_BAND, TRACK_BAND)
    flags = widened(bad[::every][:count], len(taps) // 4)
    return Track(smooth(east, taps), smooth(north, taps), flags)


def gate_place(track: Track, gate: Gate, origin: tuple[float, float], among: Bools) -> int | None:
    """Return the first working sample at which a track passes a gate; None when it does not.

    Passed is where the car comes closest, the first time it is within half the gate's width.
    """
    north = (gate.latitude.value - origin[0]) * EARTH_RADIUS
    turn = (gate.longitude.value - origin[1] + np.pi) % (2.0 * np.pi) - np.pi
    east = turn * EARTH_RADIUS * np.cos(origin[0])
    apart = np.hypot(track.east - east, track.north - north)
    within = runs_of((apart <= gate.width.value / 2.0) & among & ~track.suspect)
    if not within:
        return None
    low, high = within[0]
    return low + int(np.argmin(apart[low:high]))


def own_track(recording: Recording, motion: Motion) -> Track | None:
    """Return the track of a run in the plane at its own first position; None without GPS."""
    origin = origin_of(recording)
    return None if origin is None else track_of(recording, motion, origin)


@dataclass(frozen=True, slots=True)
class Profile:
    """A run at even steps along its way, as far as it was driven.

    Parameters
    ----------
    along : array
        Distance from the start of the moving part [m], or time [s].
    by_distance : bool
        Which of them.
    time : array
        Log time [s].
    east, north : array or None
        Track [m]; NaN in an outage.
    turning : array
        How the car turns, left positive, scaled to unit spread; NaN where unknown.
    """

    along: Floats
    by_distance: bool
    time: Floats
    east: Floats | None
    north: Floats | None
    turning: Floats


def profile_of(motion: Motion, track: Track | None, step_m: float, step_s: float) -> Profile | None:
    """Return the profile of a run; None when it never moved.

    By distance when the speed was logged without a hole, else by time.
    """
    data, suspect = motion.data, motion.suspect
    moving = np.flatnonzero(~motion.parked.to_numpy())
    if moving.size < 10:
        return None
    window = slice(int(moving[0]), int(moving[-1]) + 1)
    time = data.index.to_numpy(dtype=np.float64)[window]
    by_distance = "distance" in data and not bool(suspect["distance"].to_numpy()[window][:-1].any())
    if by_distance:
        way = np.maximum.accumulate(data["distance"].to_numpy()[window])
        grid = np.arange(way[0], way[-1], step_m)
        at = np.interp(grid, way + 1e-9 * np.arange(len(way)), time)
    else:
        at = np.arange(time[0], time[-1], step_s)
        grid = at - time[0]
    if len(grid) < 10:
        return None

    def sampled(values: Floats, bad: Bools) -> Floats:
        result = np.interp(at, time, values[window])
        near = np.interp(at, time, bad[window].astype(np.float64)) > 0.0
        return np.where(near, np.nan, result)

    east = north = None
    if track is not None:
        east, north = sampled(track.east, track.suspect), sampled(track.north, track.suspect)
        if not np.isfinite(east).any():
            east = north = None
    turning = _turning(motion)
    shape = np.full(len(grid), np.nan) if turning is None else sampled(*turning)
    return Profile(grid, by_distance, at, east, north, shape)


def _turning(motion: Motion) -> tuple[Floats, Bools] | None:
    """Return how the car turns, from yaw rate, else from lateral force; both in their usual spread."""
    taps = lowpass_taps(motion.rate, SHAPE_BAND, SHAPE_BAND)
    for name, usual in (("yaw_rate", 0.5), ("road_force_y", 6.0), ("specific_force_y", 6.0)):
        if name in motion.data:
            values = smooth(motion.data[name].to_numpy(), taps) / usual
            return values, motion.suspect[name].to_numpy()
    return None
