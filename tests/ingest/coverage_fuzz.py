"""Logs, sheets and names varied towards code that no input has reached before, by atheris.

Run ``PYTHONPATH=.:tests python -m ingest.coverage_fuzz SECONDS FOLDER``; inputs that reach something new are
kept in FOLDER, from which the next search goes on. The first letter of an input says what it is, see `KINDS`.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

KINDS: Final = "lcsn"
"""A log, a car sheet, a session sheet, a name: first letter of an input."""
SEEDS: Final = Path(__file__).with_name("fuzz_seeds.json")
"""Inputs that each reach something the others do not; their bytes as letters of Latin-1."""
WORDS: Final = (
    "Time [s]", "FL pot [mm]", "LatG [g]", "0.01", "1e30", ",", ";", "\t", "\n", "\r\n", '"', "nan",
    "12:00:00", "2025-06-14", "[mass]", "[logger.channels]", "[[runs]]", "[setups.", " = ", "1 mm ± 2 mm",
    "{ ", " }", "inf", "±", "\ufeff", "\x00", "\x1b[2J", "\u202e", "#", "\\", "PK\x03\x04", "\x1f\x8b",
    "9" * 30,
)  # fmt: skip
LONGEST: Final = 5000


def seeds() -> list[bytes]:
    """Return the inputs that are kept."""
    return [text.encode("latin-1") for text in json.loads(SEEDS.read_text(encoding="utf-8"))]


def trial(folder: Path) -> Callable[[bytes], None]:
    """Return what is done with an input; anything but a result or one plain line fails."""
    from analyzer.core.errors import AnalyzerError
    from analyzer.ingest.channels import guess_channels
    from analyzer.ingest.read_run import read_loose_log
    from analyzer.report.words import label
    from analyzer.sheets.read import read_car, read_session

    readers: dict[str, tuple[Callable[[Path], object], ...]] = {
        "l": (read_loose_log, guess_channels),
        "c": (read_car,),
        "s": (read_session,),
    }

    def once(data: bytes) -> None:
        kind = KINDS[data[0] % len(KINDS)] if chr(data[0]) not in KINDS else chr(data[0])
        content = data[1:]
        if kind == "n":
            assert label(content.decode("utf-8", "replace")).isprintable()
            return
        path = folder / ("any.csv" if kind == "l" else "any.toml")
        path.write_bytes(content)
        for reader in readers[kind]:
            try:
                reader(path)
            except AnalyzerError as error:
                line = str(error)
                assert line.isprintable(), line

    return lambda data: once(data) if data else None


def main() -> None:
    """Search for the given time."""
    import atheris

    seconds, kept = int(float(sys.argv[1])), Path(sys.argv[2])
    kept.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(seeds()):
        (kept / f"seed{number}").write_bytes(data)
    with tempfile.TemporaryDirectory() as place:
        words = Path(place) / "words"
        words.write_text(
            "\n".join('"' + "".join(f"\\x{byte:02x}" for byte in word.encode()) + '"' for word in WORDS)
        )
        with atheris.instrument_imports(include=["analyzer"], enable_loader_override=False):
            once = trial(Path(place))
        atheris.Setup(
            [
                sys.argv[0],
                str(kept),
                f"-dict={words}",
                f"-max_total_time={seconds}",
                f"-max_len={LONGEST}",
                f"-artifact_prefix={kept}/failed-",
                "-seed=1",
                "-timeout=30",
                "-rss_limit_mb=3000",
                "-print_final_stats=1",
            ],
            once,
        )
        atheris.Fuzz()


if __name__ == "__main__":
    main()
