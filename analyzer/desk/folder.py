"""The folder of a session as the page sees it: sheets kept whole, logs taken in, and nothing outside it."""

import difflib
import filecmp
import hashlib
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, Final

import tomlkit

from analyzer.core.errors import AnalyzerError, SheetError, one_line, refuse_file
from analyzer.core.files import alone_in, open_plain, sweep_folder, write_together, write_whole
from analyzer.desk.sheet_form import Edit, Place, edited, opened, with_channels
from analyzer.ingest import template
from analyzer.prediction.setup import check_bars, check_setup
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet
from analyzer.sheets.read import LOG_SUFFIXES, Refusal, logs_in, refusals, toml_table
from analyzer.sheets.session import CourseSheet, SessionSheet

LARGEST_LOG: Final = 2_000_000_000
"""Bytes of one log that are taken in; an hour of 30 channels at 1000 samples a second has 1.2e9 as text."""
SESSION: Final = "session.toml"
CAR: Final = "car.toml"
COURSE: Final = "course.toml"
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9_-]+")
_LONGEST_STEM: Final = 60


class ChangedOnDiskError(AnalyzerError):
    """A sheet was changed behind the page; nothing is written until somebody has seen the difference.

    Parameters
    ----------
    now : str
        Version of the file as it is.
    difference : tuple of str
        What writing would change in it, as lines with ``-`` and ``+``.
    """

    def __init__(self, now: str, difference: tuple[str, ...]) -> None:
        super().__init__("the sheet was changed on disk since this page was opened")
        self.now, self.difference = now, difference


class RefusedError(AnalyzerError):
    """What was typed will not do; nothing is written.

    Parameters
    ----------
    found : tuple of Refusal
        Place by place.
    """

    def __init__(self, found: tuple[Refusal, ...]) -> None:
        super().__init__("some values will not do; nothing was saved")
        self.found = found


@dataclass(frozen=True, slots=True)
class Kept:
    """A sheet as it lies on disk: its bytes, its contents as plain tables to be left alone, its version."""

    path: Path
    data: bytes
    table: dict[str, Any]
    there: bool = True
    """False where the sheet is one to fill in and there is no file of it yet."""

    @property
    def version(self) -> str:
        """A hash of the bytes."""
        return hashlib.sha256(self.data).hexdigest()


class Folder:
    """The folder of one session.

    Parameters
    ----------
    path : Path
        Made when it is not there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.expanduser().resolve()
        refuse_file(path.expanduser(), "a folder of the session", str(path))
        try:
            self.path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = error.strerror or "cannot be made"
            raise AnalyzerError(one_line(f"{path}: {reason}; name a folder of the session")) from None
        sweep_folder(self.path)
        self._alone = threading.Lock()
        self._coming: set[Path] = set()

    def inside(self, *names: str) -> Path:
        """Return a path in the folder; raises `AnalyzerError` where it leads out of it, through links too."""
        place = self.path.joinpath(*names)
        if any(name in ("", ".", "..") or "/" in name or "\\" in name or "\0" in name for name in names):
            raise AnalyzerError("the file lies outside the folder of the session")
        try:
            strange = place.resolve() != place
        except (OSError, RuntimeError):
            strange = True
        if strange:
            raise AnalyzerError(f"{names[-1]}: is a link out of its place; put the file itself there")
        return place

    @property
    def begun(self) -> bool:
        """Whether the sheets of car and session are there."""
        return self.inside(SESSION).is_file() and self.path_of("car").is_file()

    def path_of(self, which: str) -> Path:
        """Return where a sheet lies; that of the session says what those of car and course are called."""
        session, usual = self.inside(SESSION), f"{which}.toml"
        if which == "session":
            return session
        try:
            named = table_of(session.read_bytes()).get(which, usual) if session.is_file() else usual
        except (OSError, ValueError):
            named = usual
        parts = Path(named).parts if isinstance(named, str) else (usual,)
        if not parts:
            raise AnalyzerError(f'{SESSION}: {which} = "" names no file; write for instance "{usual}" there')
        return self.inside(*parts)

    def read(self, which: str) -> Kept:
        """Return a sheet as it is on disk; raises `AnalyzerError` when it cannot be read as one."""
        path = self.path_of(which)
        try:
            with open_plain(path) as file:
                data = file.read()
            return Kept(path, data, table_of(data))
        except FileNotFoundError:
            if which in _STARTERS:
                data = _STARTERS[which]()
                return Kept(path, data, table_of(data), False)
            raise AnalyzerError(f"{path.name}: there is no such sheet") from None
        except (OSError, ValueError, RecursionError) as error:
            raise AnalyzerError(
                one_line(f"{path.name}: cannot be read ({error}); correct it in an editor")
            ) from None

    def document(self, kept: Kept) -> tomlkit.TOMLDocument:
        """Return a sheet with its comments."""
        return opened(kept.data)

    def refused(self, which: str, data: bytes) -> tuple[Refusal, ...]:
        """Return everything in a sheet that will not do, the other sheet taken as it is on disk."""
        table = table_of(data)
        if which == "session" and not table.get("runs"):
            # Set-ups can be written down before anything was driven; each log that comes is a run.
            table = table | {"runs": [{"name": "-", "logs": ["-"], "setup": _first_setup(table)}]}
        # Key by key first; what only shows when sheets are laid beside each other is looked for in a sound
        # one.
        found = refusals(table, MODELS[which])
        if found:
            return found
        try:
            if which == "course":
                return ()
            if which == "car":
                check_bars(CarSheet.model_validate(table), self.path_of("car"))
                return ()
            session = SessionSheet.model_validate(table)
            car = CarSheet.model_validate(self.read("car").table)
        except SheetError as error:
            return (Refusal(_steps(error.key), str(error).partition(": ")[2], ""),)
        except (AnalyzerError, ValueError):
            return ()  # said where the car sheet is shown
        for name, setup in session.setups.items():
            problem = check_setup(car, name, setup)
            if problem is not None:
                place: Place = ("setups", name, *problem.key.split("."))
                return (Refusal(place, problem.problem, problem.remedy),)
        return ()

    def save(self, which: str, version: str, edits: Sequence[Edit]) -> Kept:
        """Put changes into a sheet, whole or not at all.

        Parameters
        ----------
        which : str
            ``car``, ``session`` or ``course``.
        version : str
            Of the file that the person has seen.
        edits : sequence of Edit
            The changes.

        Raises
        ------
        ChangedOnDiskError
            When the file is another one by now.
        RefusedError
            When a value will not do.
        """
        with self._alone, alone_in(self.path):
            kept = self.read(which)
            data = edited(kept.data, edits)
            if kept.version != version:
                raise ChangedOnDiskError(kept.version, difference(kept.data, data))
            found = self.refused(which, data)
            if found:
                raise RefusedError(found)
            if data != kept.data or not kept.there:
                self._write(kept.path, data)
            # Whoever takes the course out of the session again means it.
            if which == "course" or not kept.there:
                self._name_course()
            return self.read(which)

    def _name_course(self) -> None:
        """Write the name of the course sheet into the session's, where it does not stand yet."""
        if not (self.inside(SESSION).is_file() and self.path_of("course").is_file()):
            return
        session = self.read("session")
        if "course" not in session.table:
            self._write(session.path, edited(session.data, [Edit(("course",), COURSE)]))

    def _write(self, path: Path, data: bytes) -> None:
        def fill(part: Path) -> None:
            part.write_bytes(data)
            if path.exists():
                part.chmod(path.stat().st_mode & 0o777)

        try:
            write_whole(path, fill, replaces=True)
        except OSError as error:
            raise _not_written(path, error) from None

    # Logs.

    def logs(self) -> tuple[str, ...]:
        """Return the names of the logs in the folder."""
        return tuple(path.name for path in logs_in(self.path) if not path.is_symlink())

    def take_in(self, name: str, fill: Callable[[BinaryIO], object]) -> Path:
        """Write a log that comes in piece by piece into the folder, under a name made from its own.

        Raises
        ------
        AnalyzerError
            When the name is not one of a log; nothing is left behind when `fill` raises.
        """
        wanted = self.inside(safe_name(name))
        # Of two uploads of one name at once the second gets a name of its own.
        with self._alone:
            path = self._free(wanted)
            self._coming.add(path)

        def written(part: Path) -> None:
            with part.open("wb") as file:
                fill(file)
            if path.exists():
                raise AnalyzerError(f"{path.name}: was put there meanwhile; drop the log again")

        try:
            write_whole(path, written)
        except OSError as error:
            raise _not_written(path, error) from None
        finally:
            self._coming.discard(path)
        same = self._same(path)
        if same is not None:
            path.unlink()
            return same
        return path

    def take_run(self, name: str, fill: Callable[[BinaryIO], object]) -> tuple[Path, str]:
        """Do both: take a log in and make a run of it; a log that begins no sheets is not kept."""
        known = self.logs()
        log = self.take_in(name, fill)
        try:
            return log, self.add_run(log)
        except AnalyzerError:
            if log.name not in known:
                log.unlink(missing_ok=True)
            raise

    def _free(self, path: Path) -> Path:
        stem, _, ends = path.name.partition(".")
        names = (path, *(path.with_name(f"{stem}-{number}.{ends}") for number in range(2, 10_000)))
        return next(name for name in names if not name.exists() and name not in self._coming)

    def _same(self, path: Path) -> Path | None:
        """Return a log of the folder with the same bytes: one that was dropped twice counts once."""
        size = path.stat().st_size
        for name in self.logs():
            other = self.path / name
            if other != path and other.stat().st_size == size and filecmp.cmp(path, other, shallow=False):
                return other
        return None

    def add_run(self, log: Path) -> str:
        """Make a run of a log in the folder: the sheets are begun by the first, the others are added.

        Returns
        -------
        str
            Name of the run.
        """
        if not self.inside(SESSION).exists():
            with self._alone, alone_in(self.path):
                self._begin(log)
            return str(self.read("session").table["runs"][0]["name"])
        with self._alone, alone_in(self.path):
            kept = self.read("session")
            # Before any run the car sheet may have been filled in without a log: it knows no channels yet.
            runs = kept.table.get("runs", [])
            if not runs:
                self._learn_channels(template.starter_sheets(log)[CAR].encode())
            for run in runs:
                if log.name in run.get("logs", ()):
                    return str(run.get("name", ""))
            taken = {run.get("name") for run in runs}
            stem = log.name.partition(".")[0]
            name = next(n for n in (stem, *(f"{stem}-{k}" for k in range(2, 9999))) if n not in taken)
            # As driven last, until somebody says otherwise: most runs follow one on the same set-up.
            last = runs[-1].get("setup", "A") if runs else _first_setup(kept.table)
            place: Place = ("runs", len(runs))
            data = edited(
                kept.data,
                [
                    Edit((*place, "name"), name),
                    Edit((*place, "logs"), log.name, "list of text"),
                    Edit((*place, "setup"), last),
                ],
            )
            found = self.refused("session", data)
            if found:
                raise RefusedError(found)
            self._write(kept.path, data)
        return name

    def _begin(self, log: Path) -> None:
        if self.inside(CAR).exists():
            # The car is known: a session is all that is missing, and channels where its sheet came first.
            started = template.starter_sheets(log)
            self._learn_channels(started[CAR].encode())
            write_together({self.inside(SESSION): started[SESSION].encode()})
        else:
            template.start_folder(self.path, log)
        self._name_course()

    def _learn_channels(self, started: bytes) -> None:
        """Give the car sheet the channels of one `started` from a log, where it has none; or begin it so."""
        path = self.path_of("car")
        if not path.exists():
            self._write(path, started)
            return
        kept = self.read("car")
        if not kept.table.get("logger", {}).get("channels", {"": ""}):
            self._write(kept.path, with_channels(kept.data, started))


@lru_cache(maxsize=8)
def table_of(data: bytes) -> dict[str, Any]:
    """Return a sheet as plain tables, parsed once while its bytes stay; whoever changes it takes a copy."""
    return toml_table(data)


MODELS: Final[dict[str, type[Sheet]]] = {"car": CarSheet, "session": SessionSheet, "course": CourseSheet}
_STARTERS: Final[dict[str, Callable[[], bytes]]] = {
    "car": lambda: template.starter_car().encode(),
    "session": lambda: template.starter_session().encode(),
    "course": template.STARTER_COURSE.encode,
}
"""Sheets that can be filled in before there is a file of them."""


def _first_setup(session: dict[str, Any]) -> str:
    setups = session.get("setups")
    return next(iter(setups), "A") if isinstance(setups, dict) else "A"


def _not_written(path: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or "cannot be written"
    return AnalyzerError(one_line(f"{path.name}: {reason}; nothing was saved, check rights and space"))


def _steps(key: str) -> Place:
    """Return the place behind the dotted key of an error line."""
    steps: list[str | int] = []
    for part in key.replace("[", ".[").split("."):
        steps.append(int(part[1:-1]) - 1 if part.startswith("[") else part)
    return tuple(steps)


def safe_name(name: str) -> str:
    """Return the name under which a log is kept: letters, digits, ``-`` and ``_``, and the ending of a log.

    Raises
    ------
    AnalyzerError
        When it does not end as a log does.
    """
    stem, *ends = name.replace("\\", "/").rpartition("/")[2].split(".")
    kept = [f".{end.lower()}" for end in ends[-2:]]
    if not kept or kept[-1] not in LOG_SUFFIXES:
        known = ", ".join(sorted(LOG_SUFFIXES))
        raise AnalyzerError(one_line(f'"{name}": is no log by its ending; known are {known}', 300))
    if len(kept) == 2 and not (kept[0] in LOG_SUFFIXES and kept[1] in {".gz", ".bz2", ".xz", ".zip"}):
        stem, kept = ".".join([stem, *ends[:-1]]), kept[-1:]
    plain = _UNSAFE.sub("_", stem).strip("_-")[:_LONGEST_STEM]
    return (plain or "log") + "".join(kept)


def difference(old: bytes, new: bytes) -> tuple[str, ...]:
    """Return what differs between two versions of a sheet, one line of context around it."""
    before, after = (data.decode("utf-8-sig", "replace").splitlines() for data in (old, new))
    return tuple(difflib.unified_diff(before, after, lineterm="", n=1))[2:]
