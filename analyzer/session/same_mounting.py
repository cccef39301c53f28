"""How box and pots are bolted, told by all runs of a session together: one mounting, many witnesses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

from analyzer.core.units import Uncertain
from analyzer.ingest.attitude import pooled_leans
from analyzer.ingest.recording import BoxLean, Check, Recording
from analyzer.ingest.zero import shared_zero, unknown_zeros
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import Run


@dataclass(frozen=True, slots=True)
class Witness:
    """What one run tells of how box and pots are bolted.

    Parameters
    ----------
    logs : tuple of str
        SHA-256 of its logs: the same log under two names is one witness.
    box : BoxLean
        Lean of the box as the run itself tells it.
    zero : dict
        Pot -> reading at static ride height and its standard uncertainty [m].
    untold : dict
        Pot whose zero neither log nor sheet tells -> what it reads on the straight [m].
    """

    logs: tuple[str, ...]
    box: BoxLean
    zero: dict[str, tuple[float, float]]
    untold: dict[str, float]


@dataclass(frozen=True, slots=True)
class Mounting:
    """How box and pots are bolted in one run, as the session tells it.

    Parameters
    ----------
    box : BoxLean
        Lean of the box.
    zeros : dict
        Pot -> zero borrowed from the other runs [m]; a pot whose run tells its own is missing.
    """

    box: BoxLean
    zeros: dict[str, Uncertain] = field(default_factory=dict)


def witness_of(recording: Recording, car: CarSheet) -> Witness:
    """Return what a run that was read by itself tells."""
    unknown = unknown_zeros(recording, car)
    straight = {
        row.channel: row.value / 1000.0
        for row in recording.health
        if row.check == Check.ZERO_OF_RUN and row.value is not None
    }
    return Witness(
        logs=tuple(source.sha256 for source in recording.sources),
        box=recording.box,
        zero={pot: (recording.zero[pot], std) for pot, std in recording.zero_std.items()},
        untold={pot: straight[pot] for pot in sorted(unknown)},
    )


def mountings(runs: Sequence[Run], witnesses: Mapping[str, Witness]) -> dict[str, Mounting]:
    """Return the mounting in each run of a session that has a witness.

    Parameters
    ----------
    runs : sequence of Run
        In the order they were driven; ``box_moved`` begins another mounting of the box.
    witnesses : mapping
        Run -> what it tells. The others of the session do not count.
    """
    numbers = accumulate(int(run.box_moved) for run in runs)
    group = {run.name: number for run, number in zip(runs, numbers, strict=True) if run.name in witnesses}
    # By content: a log that stands there twice tells nothing new.
    first: dict[tuple[str, ...], str] = {}
    for name in group:
        first.setdefault(witnesses[name].logs, name)
    once = {name: witnesses[name] for name in first.values()}
    leans: dict[str, BoxLean] = {}
    for number in sorted(set(group.values())):
        leans |= pooled_leans({name: w.box for name, w in once.items() if group[name] == number})
    found = {}
    for name in group:
        own = witnesses[name]
        zeros = {pot: _borrowed(pot, reading, once) for pot, reading in own.untold.items()}
        box = leans[first[own.logs]] if group[first[own.logs]] == group[name] else own.box
        found[name] = Mounting(box, {pot: zero for pot, zero in zeros.items() if zero is not None})
    return found


def _borrowed(pot: str, here: float, witnesses: Mapping[str, Witness]) -> Uncertain | None:
    return shared_zero([w.zero[pot] for w in witnesses.values() if pot in w.zero], here)
