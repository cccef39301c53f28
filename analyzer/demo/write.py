"""Writes the sample session: sheets, logs, the truth, and beside them a small session with faults."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from analyzer.demo.faults import FAULT_SESSION, fault_logs
from analyzer.demo.sensors import csv_text
from analyzer.demo.session import RUNS, Driven, drive_session
from analyzer.demo.sheets_text import car_sheet, course_sheet, session_sheet
from analyzer.demo.truth import run_truth, true_values
from analyzer.errors import AnalyzerError
from analyzer.files import write_together

FAULTS: Final = "faults"
"""Folder of the session with faults, inside the sample session's folder."""

SHEETS: Final = ("car.toml", "session.toml", "course.toml")

Tell = Callable[[str], None]


def write_demo(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Let the virtual car drive the sample session and write everything to `folder`.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; may hold other files, but none of those to be written.
    seed : int
        The same seed writes the same bytes.
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Path
        The session sheet, ready for `analyzer review`.

    Raises
    ------
    AnalyzerError
        When the folder holds a file that would be overwritten, or cannot be written to.
    """
    tell = progress or (lambda _text: None)
    logs = [f"{name}.csv.gz" for name, _ in RUNS]
    refuse_existing(folder, [*SHEETS, "truth.json", *logs])
    refuse_existing(folder / FAULTS, _fault_names())
    driven = drive_session(seed, tell)
    tell("finding the true values")
    setups = true_values()
    truth = {"setups": setups, "runs": run_truth(driven, setups)}
    files = _sheets(session_sheet(list(RUNS)), car_sheet())
    files["truth.json"] = (json.dumps(_rounded(truth), indent=1) + "\n").encode()
    tell("packing the logs")
    for name, table in zip(logs, driven.logs, strict=True):
        files[name] = packed(csv_text(table))
    files |= {f"{FAULTS}/{name}": content for name, content in _fault_files(driven).items()}
    write_all(folder, files)
    return folder / "session.toml"


def write_faults(folder: Path, seed: int = 7, progress: Tell | None = None) -> Path:
    """Write only the session with faults to `folder`; otherwise as `write_demo`."""
    refuse_existing(folder, _fault_names())
    write_all(folder, _fault_files(drive_session(seed, progress or (lambda _text: None))))
    return folder / "session.toml"


def refuse_existing(folder: Path, names: list[str]) -> None:
    """Raise `AnalyzerError` when one of `names` is already in `folder`."""
    if folder.exists() and not folder.is_dir():
        raise AnalyzerError(f"{folder}: is not a folder; name a folder to write the sample session to")
    taken = [name for name in names if (folder / name).exists()]
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise AnalyzerError(
            f"{folder}: holds {taken[0]}{more} already, nothing was written; name an empty or a new folder"
        )


def write_all(folder: Path, files: dict[str, bytes]) -> None:
    """Write `files` under other names first and move all of them into place at the end."""
    # The session sheets go last: where one stands, all it names stands too.
    last = sorted(files.items(), key=lambda item: Path(item[0]).name == "session.toml")
    try:
        write_together({folder / name: content for name, content in last})
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        raise AnalyzerError(f"{folder}: {reason}; name a folder that can be written to") from error


def packed(text: str) -> bytes:
    """Return `text` gzipped without name and time, so that the same text gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=buffer, mtime=0) as file:
        file.write(text.encode())
    return buffer.getvalue()


def _fault_names() -> list[str]:
    return [*SHEETS, "f01.csv.gz", "f02.csv.gz"]


def _fault_files(driven: Driven) -> dict[str, bytes]:
    files = _sheets(FAULT_SESSION, car_sheet())
    return files | {f"{name}.gz": packed(text) for name, text in fault_logs(driven).items()}


def _sheets(session: str, car: str) -> dict[str, bytes]:
    texts = {"car.toml": car, "session.toml": session, "course.toml": course_sheet()}
    return {name: text.encode() for name, text in texts.items()}


def _rounded(value: Any) -> Any:
    """Return nested results as plain numbers of six digits."""
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value
