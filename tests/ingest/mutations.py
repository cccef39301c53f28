"""Damage done to a sound log, byte by byte and line by line, and the rule that nothing wrong may pass unsaid.

Run ``python tests/ingest/mutations.py [CASES] [SEED]`` to try many more cases than the tests do.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from ingest.helpers import Log, car_with, plain_log, text_of

from analyzer.core.errors import LogError
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import Recording, Verdict

SECONDS: Final = 24.0
RATE: Final = 100.0
LIMITS: Final = {"damper": 0.009, "accel": 20.0, "gyro": 1.3, "speed": 5.5}
"""Errors a single sample may have without being found, by kind of channel [SI]: what a car could still do."""

Rng = np.random.Generator
Lines = list[bytes]


def _pick(lines: Lines, rng: Rng) -> int:
    return int(rng.integers(1, len(lines)))


def flip_bytes(lines: Lines, rng: Rng) -> Lines:
    """Change a few bytes anywhere."""
    data = bytearray(b"\n".join(lines))
    for _ in range(int(rng.integers(1, 6))):
        data[int(rng.integers(0, len(data)))] = int(rng.integers(0, 256))
    return bytes(data).split(b"\n")


def flip_bits(lines: Lines, rng: Rng) -> Lines:
    """Change a few bits anywhere."""
    data = bytearray(b"\n".join(lines))
    for _ in range(int(rng.integers(1, 6))):
        data[int(rng.integers(0, len(data)))] ^= 1 << int(rng.integers(0, 8))
    return bytes(data).split(b"\n")


def cut_end(lines: Lines, rng: Rng) -> Lines:
    """Cut the file off, as when the battery drops."""
    data = b"\n".join(lines)
    return data[: int(rng.integers(0, len(data)))].split(b"\n")


def cut_middle(lines: Lines, rng: Rng) -> Lines:
    """Take a piece out, as when a block of the card is lost."""
    data = b"\n".join(lines)
    a, b = sorted(int(v) for v in rng.integers(0, len(data), 2))
    return (data[:a] + data[min(b, a + 9000) :]).split(b"\n")


def zero_block(lines: Lines, rng: Rng) -> Lines:
    """Overwrite a piece with null bytes."""
    data = bytearray(b"\n".join(lines))
    first = int(rng.integers(0, len(data)))
    length = min(int(rng.integers(1, 3000)), len(data) - first)
    data[first : first + length] = bytes(length)
    return bytes(data).split(b"\n")


def drop_lines(lines: Lines, rng: Rng) -> Lines:
    """Leave some lines out."""
    gone = {_pick(lines, rng) for _ in range(int(rng.integers(1, 6)))}
    return [line for i, line in enumerate(lines) if i not in gone]


def repeat_lines(lines: Lines, rng: Rng) -> Lines:
    """Write a stretch twice."""
    first = _pick(lines, rng)
    return lines[: first + 40] + lines[first:]


def exchange_lines(lines: Lines, rng: Rng) -> Lines:
    """Exchange two lines."""
    done = list(lines)
    a, b = _pick(lines, rng), _pick(lines, rng)
    done[a], done[b] = done[b], done[a]
    return done


def junk_line(lines: Lines, rng: Rng) -> Lines:
    """Put a line of junk in."""
    junk = bytes(rng.integers(32, 127, int(rng.integers(0, 200))).astype(np.uint8))
    place = int(rng.integers(0, len(lines)))
    return lines[:place] + [junk] + lines[place:]


def drop_column(lines: Lines, rng: Rng) -> Lines:
    """Leave a column out everywhere."""
    column = int(rng.integers(0, lines[0].count(b",") + 1))
    return [b",".join(c for i, c in enumerate(line.split(b",")) if i != column) for line in lines]


def drop_cell(lines: Lines, rng: Rng) -> Lines:
    """Leave one cell out of one line."""
    done, row = list(lines), _pick(lines, rng)
    cells = done[row].split(b",")
    del cells[int(rng.integers(0, len(cells)))]
    done[row] = b",".join(cells)
    return done


def add_cell(lines: Lines, rng: Rng) -> Lines:
    """Put one more cell into one line."""
    done, row = list(lines), _pick(lines, rng)
    cells = done[row].split(b",")
    cells.insert(int(rng.integers(0, len(cells) + 1)), b"%d" % rng.integers(-50, 50))
    done[row] = b",".join(cells)
    return done


def exchange_cells(lines: Lines, rng: Rng) -> Lines:
    """Exchange two cells of one line."""
    done, row = list(lines), _pick(lines, rng)
    cells = done[row].split(b",")
    a, b = (int(v) for v in rng.integers(0, len(cells), 2))
    cells[a], cells[b] = cells[b], cells[a]
    done[row] = b",".join(cells)
    return done


def other_signs(lines: Lines, rng: Rng) -> Lines:
    """Write one line with another delimiter, quotes or escapes."""
    done, row = list(lines), _pick(lines, rng)
    old, new = [(b",", b";"), (b",", b"\t"), (b",", b'","'), (b".", b","), (b",", b"\\,"), (b",", b',"')][
        int(rng.integers(0, 6))
    ]
    done[row] = done[row].replace(old, new)
    return done


def exchange_pots(lines: Lines, rng: Rng) -> Lines:
    """Exchange two pots in the header."""
    head = lines[0].split(b",")
    a, b = rng.choice([i for i, c in enumerate(head) if b"pot" in c] or [0], 2)
    head[a], head[b] = head[b], head[a]
    return [b",".join(head), *lines[1:]]


MUTATIONS: Final[tuple[Callable[[Lines, Rng], Lines], ...]] = (
    flip_bytes, flip_bits, cut_end, cut_middle, zero_block, drop_lines, repeat_lines, exchange_lines,
    junk_line,     drop_column, drop_cell, add_cell, exchange_cells, other_signs, exchange_pots,
)  # fmt: skip


def sound_log() -> Log:
    """Return the log that is damaged."""
    return plain_log(seconds=SECONDS, rate=RATE, seed=2)


def silent_errors(recording: Recording, truth: Log) -> list[str]:
    """Return the channels with numbers that are wrong, used, and of which no row says anything."""
    worse = {row.channel for row in recording.health if row.verdict in (Verdict.SUSPECT, Verdict.BAD)}
    # A log too short to tell which pot is which says so.
    worse |= {
        r.channel for r in recording.health if r.check == "inverted" and r.verdict is Verdict.NOT_TESTED
    }
    if worse & {"time", "log"}:
        return []
    wrong = []
    for name, values in truth.si.items():
        if name not in recording.data or name in worse:
            continue
        good = ~recording.suspect[name].to_numpy()
        place = recording.data.index.to_numpy()[good] * RATE
        if place.size and (place.min() < -0.01 or place.max() > len(values) - 0.99):
            wrong.append("time")
            continue
        expected = np.interp(place, np.arange(len(values)), values)
        error = np.abs(recording.data[name].to_numpy()[good] - expected)
        if error.size and float(error.max()) > LIMITS[name.partition("_")[0]]:
            wrong.append(name)
    return wrong


def as_dialect(which: int, plain: str) -> Lines:
    """Return the text of the sound log as one of several makes of logger write it."""
    if which == 1:  # semicolons, decimal commas
        return plain.replace(",", ";").replace(".", ",").encode().split(b"\n")
    if which == 2:  # tabs, a row of units, lines above
        head, _, rows = plain.partition("\n")
        names, units = zip(*(cell.rstrip("]").split(" [") for cell in head.split(",")), strict=True)
        above = "Session,practice\nPlace,yard\n\n" + "\t".join(names) + "\n" + "\t".join(units) + "\n"
        return (above + rows.replace(",", "\t")).encode().split(b"\n")
    if which == 3:  # every cell in quotes
        return [b",".join(b'"' + c + b'"' for c in row.split(b",")) for row in plain.encode().split(b"\n")]
    return plain.encode().split(b"\n")


DIALECTS: Final = 4


def run_case(seed: int, folder: Path, lines: Lines, truth: Log) -> tuple[str, str, list[str]]:
    """Damage the log once and read it; return the mutation, what came of it, and silent errors."""
    rng = np.random.default_rng(seed)
    mutation = MUTATIONS[seed % len(MUTATIONS)]
    dialect = seed // len(MUTATIONS) % (2 * DIALECTS)
    if 0 < dialect < DIALECTS:  # every other case is the plain dialect
        lines = as_dialect(dialect, b"\n".join(lines).decode())
    data = b"\n".join(mutation(lines, rng))
    if rng.random() < 0.15:  # two kinds of damage at once
        data = b"\n".join(MUTATIONS[int(rng.integers(0, len(MUTATIONS)))](data.split(b"\n"), rng))
    path = folder / "m.csv"
    path.write_bytes(data)
    try:
        recording = read_recording("m", [path], car_with())
    except LogError as error:
        return (
            mutation.__name__,
            f"refused: {error}",
            [] if "\n" not in str(error) else ["refusal of several lines"],
        )
    return mutation.__name__, "read", silent_errors(recording, truth)


def main() -> None:
    """Try many cases and print those that break the rule."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 3000
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    truth = sound_log()
    lines = text_of(truth).encode().split(b"\n")
    counts: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(start, start + cases):
            try:
                name, outcome, wrong = run_case(seed, Path(folder), lines, truth)
            except Exception as error:
                name, outcome, wrong = MUTATIONS[seed % len(MUTATIONS)].__name__, "traceback", [repr(error)]
            counts[outcome.partition(":")[0]] = counts.get(outcome.partition(":")[0], 0) + 1
            if wrong:
                print(seed, name, outcome, wrong)
    print(counts)


if __name__ == "__main__":
    main()
