"""Damage done to the sheets of the sample session: each is read, or refused in one line.

Run ``PYTHONPATH=tests python -m sheets.mutated [CASES] [SEED]`` to try many more cases than the tests do.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from analyzer.core.errors import AnalyzerError
from analyzer.prediction.setup import predict_change
from analyzer.session.review import load_session, predict_session

SAMPLE: Final = Path(__file__).parents[2] / "sample_logs"
SHEETS: Final = ("car.toml", "session.toml", "course.toml")
VALUES: Final = (
    "0", "-1", "1e30", "1e-30", "inf", "nan", "true", "[]", "{}", '""', '"x"', "9" * 400, '"1 furlong"',
    '"-5 mm"', '"5 mm ± 900 %"', '"5 kN/mm ± 1e30 kN/mm"', '["1 mm"]', "2031-05-04", '"\\u0000"',
    '"1e999 m"', '"½ m"', '"0 mm"', "0.5", "1", "7", '"../../x"', '"1_000 mm"', "0x10", "12:00:00",
)  # fmt: skip
_VALUE: Final = re.compile(r'(?<== )("[^"\n]*"|\[[^\[\]\n]*\]|-?[\d.]+|\{[^{}\n]*\}|true|false)')
_NUMBER: Final = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")
Rng = np.random.Generator


def _one(pattern: re.Pattern[str], text: str, rng: Rng) -> re.Match[str] | None:
    found = list(pattern.finditer(text))
    return found[int(rng.integers(len(found)))] if found else None


def other_value(text: str, rng: Rng) -> str:
    """Write something else in place of a value."""
    place = _one(_VALUE, text, rng)
    if place is None:
        return text
    return text[: place.start()] + VALUES[int(rng.integers(len(VALUES)))] + text[place.end() :]


def exchanged_values(text: str, rng: Rng) -> str:
    """Write one value of the sheet in place of another."""
    one, other = _one(_VALUE, text, rng), _one(_VALUE, text, rng)
    return text if one is None or other is None else text[: one.start()] + other[0] + text[one.end() :]


def scaled_number(text: str, rng: Rng) -> str:
    """Move the point of a number, or take its sign."""
    place = _one(_NUMBER, text, rng)
    if place is None:
        return text
    number = float(place[0]) * (-1.0 if rng.random() < 0.3 else 10.0 ** int(rng.integers(-12, 13)))
    return f"{text[: place.start()]}{number!r}{text[place.end() :]}"


def line_gone(text: str, rng: Rng) -> str:
    """Leave a line out."""
    lines = text.split("\n")
    del lines[int(rng.integers(len(lines)))]
    return "\n".join(lines)


def line_again(text: str, rng: Rng) -> str:
    """Write a line at another place as well."""
    lines = text.split("\n")
    lines.insert(int(rng.integers(len(lines))), lines[int(rng.integers(len(lines)))])
    return "\n".join(lines)


def flipped(text: str, rng: Rng) -> str:
    """Change some characters."""
    signs = list(text)
    for _ in range(int(rng.integers(1, 5))):
        signs[int(rng.integers(len(signs)))] = chr(int(rng.integers(1, 0x2FF)))
    return "".join(signs)


def cut(text: str, rng: Rng) -> str:
    """Cut the sheet off."""
    return text[: int(rng.integers(len(text)))]


MUTATIONS: Final[tuple[Callable[[str, Rng], str], ...]] = (
    other_value, other_value, scaled_number, scaled_number, exchanged_values, line_gone, line_again, flipped,
    cut,
)  # fmt: skip


def prepared(folder: Path) -> Path:
    """Return a folder with the sheets and empty logs, which are not read."""
    for name in SHEETS:
        shutil.copy(SAMPLE / name, folder)
    for log in SAMPLE.glob("*.csv.gz"):
        (folder / log.name).touch()
    return folder


def run_case(seed: int, folder: Path) -> str:
    """Damage one sheet, once or twice, and predict from all of them; return what came of it.

    Raises
    ------
    AssertionError
        When a refusal is not one line. Any other exception is a fault of the program.
    """
    rng = np.random.default_rng(seed)
    name = SHEETS[seed % len(SHEETS)]
    text = (SAMPLE / name).read_text(encoding="utf-8")
    for _ in range(1 + (rng.random() < 0.3)):
        text = MUTATIONS[int(rng.integers(len(MUTATIONS)))](text or "\n", rng)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            session = load_session(folder)
            predict_session(session)
            for one, other in pairwise(session.sheet.setups.items()):
                predict_change(session.car, *one, *other)
    except AnalyzerError as error:
        told = str(error)
    else:
        return "read"
    finally:
        shutil.copy(SAMPLE / name, path)
    assert 0 < len(told) <= 1000, told
    assert "\n" not in told, told
    return "refused"


def main() -> None:
    """Try many cases and print those that fail."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 2600
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = prepared(Path(name))
        for seed in range(start, start + cases):
            try:
                counts[run_case(seed, folder)] += 1
            except Exception as error:
                counts["traceback"] += 1
                print(seed, repr(error)[:300])
    print(dict(counts))


if __name__ == "__main__":
    main()
