"""Write files so that a killed run leaves the old ones or none, and nothing strange is ever replaced.

And where the pages of the docs lie.
"""

import ctypes
import errno
import hashlib
import io
import json
import os
import re
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from analyzer.core.errors import AnalyzerError, choices, nearest, one_line, refuse_file

PART: Final = ".part-"
"""Start of the name of a file of the program's own while it is written; tells what a kill left behind."""

_SIGNATURES: Final = {".pdf": (b"%PDF",), ".png": (b"\x89PNG\r\n\x1a\n",), ".svg": (b"<?xml", b"<svg")}
"""How files of a kind begin (ISO 32000-1, 7.5.2; PNG and SVG of the W3C); from memory."""
_SVG_WITHIN: Final = 2000
"""Where the root of a drawing stands at the latest, behind declaration and document type [bytes]."""
_LATE_CONTROLS: Final = re.compile(r"[\x7f-\x9f\u2028\u2029\u202a-\u202e]")
"""Control characters that JSON does not escape by itself, and overrides of the direction of writing."""
_OURS: Final = "drift-bar-analyzer "
_SAME_COLUMNS: Final = 4
"""Columns by which a table of ours is known; no log begins with the same ones."""
_HEAD: Final = 500
"""Bytes of a page within which its mark stands."""
_LARGEST_JSON: Final = 200_000_000
"""Bytes; a result is smaller, so a larger file is something else and is not read."""


def write_whole(
    path: Path, content: bytes | Callable[[Path], object], *, own: bool = False, replaces: bool = False
) -> None:
    """Write a file under a temporary name beside `path` and move it into place.

    Parameters
    ----------
    path : Path
        Where the file shall lie.
    content : bytes or callable
        What stands in it; a callable is given the temporary file, which exists and is empty, and fills it.
    own : bool
        In a folder of the program's own: whatever lies there is replaced, and folders are made.
    replaces : bool
        Whatever lies there is replaced: somebody has seen it and asked for that.

    Raises
    ------
    AnalyzerError
        When something of another kind lies there; see `refuse_strange`.
    OSError
        When the folder cannot be written to; nothing is left behind.
    """
    if own:
        path.parent.mkdir(parents=True, exist_ok=True)
    elif not replaces:
        refuse_strange(path, content if isinstance(content, bytes) else None)
    part, handle = _temporary(path, own)
    try:
        if isinstance(content, bytes):
            part.write_bytes(content)
        else:
            content(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
        _let_go(handle)


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write several files under temporary names first and move all of them into place at the end.

    The last one named is moved last: where it stands, all others stand too. Folders are made.

    Raises
    ------
    AnalyzerError
        When something of another kind lies at one of the places; nothing is written then.
    OSError
        When a folder cannot be written to; nothing is left behind but folders.
    """
    # Nothing is written where anything would be refused, and nothing moved before all is written: a full disk
    # leaves the old files as they were.
    for path, content in files.items():
        refuse_strange(path, content)
    waiting: dict[Path, Path] = {}
    handles: list[int | None] = []
    try:
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            part, handle = _temporary(path)
            handles.append(handle)
            waiting[part] = path
            part.write_bytes(content)
        for part, path in waiting.items():
            part.replace(path)
    finally:
        for part in waiting:
            part.unlink(missing_ok=True)
        for handle in handles:
            _let_go(handle)


def open_plain(path: Path) -> io.BufferedReader:
    """Open a file to read its bytes; raises OSError at once for a pipe or device, which may never end.

    The program's inputs are named by a user or a sheet: what lies there is looked at before it is waited for.
    """

    def opener(name: str, flags: int) -> int:
        # Between the look and the opening a pipe may take the file's place: it must not wait for a writer.
        return os.open(name, flags | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0))

    mode = path.stat().st_mode
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        file = open(path, "rb", opener=opener)  # noqa: SIM115
        if stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            return file
        file.close()
    raise OSError(errno.ENXIO, "it is a pipe or a device, not a file", str(path))


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes; raises OSError, as `open_plain` does."""
    with open_plain(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def json_text(
    table: Any, *, indent: int | None = 2, sort_keys: bool = True, ensure_ascii: bool = False
) -> str:
    """Return a table as JSON with a line end; raises ValueError at a NaN, which JSON does not know."""
    text = json.dumps(table, indent=indent, sort_keys=sort_keys, ensure_ascii=ensure_ascii, allow_nan=False)
    # The format lets the second set of control characters stand as they are; some terminals obey them.
    return _LATE_CONTROLS.sub(lambda sign: f"\\u{ord(sign[0]):04x}", text) + "\n"


def json_bytes(table: Any, *, indent: int | None = 2, sort_keys: bool = True) -> bytes:
    """Return the same for a file; a name with undecodable bytes, of a log for instance, is escaped."""
    return json_text(table, indent=indent, sort_keys=sort_keys).encode("utf-8", "backslashreplace")


def read_json(path: Path) -> Any:
    """Return the contents of a JSON file of ours; None when it is missing, damaged or too large to be one."""
    try:
        return json.loads(path.read_bytes()) if path.stat().st_size <= _LARGEST_JSON else None
    except (OSError, ValueError, RecursionError):
        return None


def check_ending(path: Path, *endings: str) -> None:
    """Raise `AnalyzerError` unless the name of `path` ends in one of `endings`, for instance ``.pdf``."""
    if path.suffix.lower() not in endings:
        raise AnalyzerError(
            one_line(f"{path}: does not end in {' or '.join(endings)}; name another file"),
            (str(path), str(path.with_suffix(endings[0]))) if path.name else None,
        )


def cannot_write(path: Path, error: OSError) -> AnalyzerError:
    """Return the line for a file that the system lets nobody write."""
    reason = error.strerror or type(error).__name__
    return AnalyzerError(one_line(f"{path}: cannot be written ({reason}); name another place"))


def refuse_strange(path: Path, content: bytes | None = None) -> None:
    """Raise `AnalyzerError` when `path` holds a file that an output may not replace.

    Logs and sheets are the user's, and a mistyped option must not cost one: an existing file is replaced only
    by one of its own kind, told by its content, never by its name alone.

    Parameters
    ----------
    path : Path
        Where a file shall lie; a new name, or one of an empty file, always will do.
    content : bytes, optional
        What shall be written there; JSON and CSV are compared with it and are refused without it.
    """
    try:
        if not path.exists() or (path.is_file() and path.stat().st_size == 0):
            return
        like = path.is_file() and _is_like(path, path.suffix.lower(), content)
    except OSError:
        like = False
    if not like:
        raise AnalyzerError(
            one_line(f"{path}: is there already and was not written by this program; name another file")
        )


def _is_like(path: Path, suffix: str, content: bytes | None) -> bool:
    with path.open("rb") as file:
        head = file.read(_SVG_WITHIN)
    if suffix in _SIGNATURES:
        return head.startswith(_SIGNATURES[suffix]) and (suffix != ".svg" or b"<svg" in head)
    if content is None:
        return False
    if suffix == ".csv":
        return _columns(head) == _columns(content)
    return suffix == ".json" and _same_table(read_json(path), json.loads(content))


def _columns(table: bytes) -> list[bytes]:
    return table.split(b"\n", 1)[0].rstrip(b"\r").split(b",")[:_SAME_COLUMNS]


def _same_table(*tables: Any) -> bool:
    """Return whether both are JSON of this program: by the format they state, else by their keys."""
    if not all(isinstance(table, dict) for table in tables):
        return False
    stated = [str(table.get("format", "")).startswith(_OURS) for table in tables]
    return all(stated) or (not any(stated) and set(tables[0]) == set(tables[1]))


def umask() -> int:
    """Return the process's file mask, which can only be read by setting it."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _temporary(path: Path, own: bool = False) -> tuple[Path, int | None]:
    """Return a new empty file beside `path`, open to those whom any other new file is open to, and its lock.

    What killed processes left of the same file is removed; in a folder of the program's own its user does so.
    """

    def made() -> Path:
        handle, name = tempfile.mkstemp(prefix=prefix, suffix=suffix, dir=path.parent)
        os.close(handle)
        return Path(name)

    prefix, suffix = (PART, "") if own else (_prefix(path), ".part")
    if own:
        part, lock = made(), None
    else:
        _sweep(path)
        part, lock = _held_new(made)
    # mkstemp gives the owner alone access; what is written here is passed around like any other file.
    part.chmod(0o666 & ~umask())
    return part, lock


# What is being written is locked by its writer. The system lets go of a lock when the process ends, however
# that comes: what nobody holds was left behind, and the next one to write the same file or folder removes it.


_RANDOM: Final = frozenset("abcdefghijklmnopqrstuvwxyz0123456789_")
_RANDOM_SIGNS: Final = 8
"""What `tempfile` puts between the two parts of a name."""
_STALE: Final = 86_400.0
"""Age at which something counts as left behind where the system has no locks [s]; engineering judgement."""


def _prefix(path: Path) -> str:
    return f".{path.name[:40]}-"


def _hold(path: Path, wait: bool) -> int | None:
    """Lock a file or folder and return the handle to let go of; None where the system cannot.

    Raises
    ------
    BlockingIOError
        When another holds it and `wait` is not set.
    """
    try:
        import fcntl
    except ImportError:
        return None
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        os.close(handle)
        raise
    except OSError:  # some network file systems
        os.close(handle)
        return None
    return handle


def _let_go(handle: int | None) -> None:
    if handle is not None:
        os.close(handle)


def _held_new(made: Callable[[], Path]) -> tuple[Path, int | None]:
    """Return something new with its lock; anew when another took it for left behind before it was locked."""
    while True:
        path = made()
        with suppress(FileNotFoundError):  # another process swept it away before it was locked
            handle = _hold(path, wait=True)
            if handle is None or path.exists():
                return path, handle
            os.close(handle)


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Hold a folder against other processes that replace something in it."""
    handle = _hold(folder, wait=True)
    try:
        yield
    finally:
        _let_go(handle)


def _sweep(target: Path) -> None:
    """Remove what killed processes left of `target`, and put back an earlier report they had moved aside."""
    prefix = _prefix(target)
    with suppress(OSError):  # a folder that cannot be listed is told by whoever writes to it
        for entry in list(target.parent.iterdir()):
            middle = entry.name.removeprefix(prefix)[:_RANDOM_SIGNS]
            if entry.name not in (f"{prefix}{middle}.part", f"{prefix}{middle}.old") or entry.is_symlink():
                continue
            if len(middle) == _RANDOM_SIGNS and _RANDOM.issuperset(middle):
                with suppress(OSError):  # another process was faster
                    _sweep_one(entry, target)


def sweep_beside(target: Path) -> None:
    """Remove what killed processes left of a folder or file, and put back what they had moved aside."""
    if target.parent.is_dir():
        with alone_in(target.parent):
            _sweep(target)


def sweep_folder(folder: Path) -> None:
    """Remove what killed processes left half written in a folder, whatever file it was to become."""
    with suppress(OSError):  # as above
        for entry in list(folder.glob(".*.part")):
            middle = entry.name.removesuffix(".part")[-_RANDOM_SIGNS:]
            if _RANDOM.issuperset(middle) and entry.is_file() and not entry.is_symlink():
                with suppress(OSError):  # another process was faster
                    _sweep_one(entry, entry)


def _sweep_one(entry: Path, target: Path) -> None:
    handle = _hold(entry, wait=False)
    try:
        if handle is None and time.time() - entry.stat().st_mtime < _STALE:
            return
        old = entry / _OLD
        if entry.suffix == ".old" and old.exists() and not target.exists():
            old.rename(target)
        if entry.is_dir():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            entry.unlink()
    finally:
        _let_go(handle)


# Put a finished folder in place in one step, so that a killed run leaves the old report or none.


PAGE: Final = "report.html"
RESULTS: Final = "results.json"
COURSE_PAGE: Final = "course.html"
COURSE_RESULTS: Final = "course.json"
"""The driver's page beside the page of a review."""
LOOK_PAGE: Final = "look.html"
"""The page on which runs are looked into, beside the page of a review."""
TABLES: Final = "tables"
_ENTRIES: Final = frozenset({PAGE, RESULTS, COURSE_PAGE, COURSE_RESULTS, LOOK_PAGE, TABLES})
RESULTS_FORMAT: Final = "drift-bar-analyzer results 1"
"""Stands in every results.json; a folder without this format or one of the two below is no report of ours."""
SEASON_FORMAT: Final = "drift-bar-analyzer archive 1"
COURSE_FORMAT: Final = "drift-bar-analyzer course 1"
LOOK_FORMAT: Final = "drift-bar-analyzer look 1"
"""Stands in the head of every page of runs."""

REPORT_TABLES: Final = (
    "runs.csv",
    "setups.csv",
    "measured_against_predicted.csv",
    "comparisons.csv",
    "bottoming.csv",
    "splits.csv",
    "health.csv",
    "left_out.csv",
)
SEASON_TABLES: Final = ("trends.csv", "points.csv", "bottoming.csv", "unknown.csv", "left_out.csv")
_TABLE_FILES: Final = frozenset({*REPORT_TABLES, *SEASON_TABLES})
"""Any other table beside them is somebody's own, a log for instance, and would go with the old folder."""


@contextmanager
def replaced_folder(target: Path) -> Iterator[Path]:
    """Give an empty folder to write to; when the block ends without an error it becomes `target`.

    Parameters
    ----------
    target : Path
        Where the report shall lie: nothing, an empty folder, or an earlier report.

    Yields
    ------
    Path
        A folder beside `target`, on the same file system, so that a rename puts it in place.

    Raises
    ------
    AnalyzerError
        When something else than a report lies at `target`, or the place cannot be written to.
    """
    target = target.expanduser().resolve()

    def made() -> Path:
        return Path(tempfile.mkdtemp(prefix=_prefix(target), suffix=".part", dir=target.parent))

    try:
        # First, since an earlier report may come back by it.
        sweep_beside(target)
        check_replaceable(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        work, handle = _held_new(made)
    except OSError as error:
        raise _not_writable(target, error) from None
    try:
        yield work
        # mkdtemp gives the owner alone access; a report is passed around like any other folder.
        work.chmod(0o777 & ~umask())
        # Only now: several may write into one folder at once, and the last one's report stays.
        with alone_in(target.parent):
            check_replaceable(target)
            _swap(work, target)
    except OSError as error:
        raise _not_writable(target, error) from None
    finally:
        shutil.rmtree(work, ignore_errors=True)
        _let_go(handle)


def check_replaceable(target: Path) -> None:
    """Raise `AnalyzerError` unless `target` is absent, an empty folder or an earlier report of ours."""
    refuse_file(target, "a folder for the report")
    if not target.exists():
        return
    strange = _strange_entry(target)
    if strange is not None:
        raise AnalyzerError(
            one_line(
                f'{target}: is not a report of this program (it holds "{strange}"), so it is left alone; '
                "name another folder for the report"
            )
        )


def _strange_entry(folder: Path) -> str | None:
    """Return the first entry that a report would not hold, None when the folder may be replaced."""
    entries = sorted(folder.iterdir())
    if not entries:
        return None
    for entry in entries:
        if entry.name not in _ENTRIES or entry.is_symlink():
            return entry.name
    tables = folder / TABLES
    if tables.exists():
        if not tables.is_dir():
            return TABLES
        for entry in sorted(tables.iterdir()):
            if entry.name not in _TABLE_FILES or not entry.is_file() or entry.is_symlink():
                return f"{TABLES}/{entry.name}"
    results, course = folder / RESULTS, folder / COURSE_RESULTS
    if not results.is_file():
        return entries[0].name
    if not _stated(results, RESULTS_FORMAT, SEASON_FORMAT, COURSE_FORMAT):
        return RESULTS
    # A driver's page of ours never stands without its figures.
    driven = [entry.name for entry in entries if entry.name in (COURSE_PAGE, COURSE_RESULTS)]
    if driven and not _stated(course, COURSE_FORMAT):
        return driven[-1]
    return LOOK_PAGE if (folder / LOOK_PAGE).exists() and not _says(folder / LOOK_PAGE, LOOK_FORMAT) else None


def _says(file: Path, mark: str) -> bool:
    """Return whether a mark stands in the head of a page."""
    if not file.is_file():
        return False
    with file.open("rb") as opened:
        return f'content="{mark}"'.encode() in opened.read(_HEAD)


def _stated(file: Path, *formats: str) -> bool:
    table = read_json(file)
    return isinstance(table, dict) and table.get("format") in formats


def _swap(work: Path, target: Path) -> None:
    """Put `work` at `target`; an earlier report lies at `work` then, or is removed."""
    if not target.exists():
        work.rename(target)
        return
    if _exchanged(work, target):
        return

    def made() -> Path:
        return Path(tempfile.mkdtemp(prefix=_prefix(target), suffix=".old", dir=target.parent))

    # In two steps where the system has no single one; between them the next process puts the old one back.
    aside, handle = _held_new(made)
    old = aside / _OLD
    try:
        target.rename(old)
        try:
            work.rename(target)
        except OSError:
            old.rename(target)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        _let_go(handle)


_OLD: Final = "old"
"""An earlier report within the folder it is moved aside to."""
_CURRENT: Final = -100
_EXCHANGE: Final = 2
"""AT_FDCWD and RENAME_EXCHANGE of Linux, renameat2(2); RENAME_SWAP of macOS, renamex_np(2), is 2 as well: all
from memory, tested on Linux alone."""
_NO_EXCHANGE: Final = frozenset({errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EPERM})


def _exchanged(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; return False where system or file system cannot.

    By hand: the standard library has no call for it.
    """
    names = os.fsencode(one), os.fsencode(other)
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            failed = library.renamex_np(*names, ctypes.c_uint(_EXCHANGE))
        else:
            failed = library.renameat2(_CURRENT, names[0], _CURRENT, names[1], ctypes.c_uint(_EXCHANGE))
    except (AttributeError, OSError, TypeError):  # another system, or an old one
        return False
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in _NO_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code), str(other))


def _not_writable(target: Path, error: OSError) -> AnalyzerError:
    reason = error.strerror or type(error).__name__
    return AnalyzerError(
        one_line(f"{target}: the report cannot be written there ({reason}); name another folder")
    )


# Where the pages of the docs lie: with the installed package, or beside it in a checkout.


_PACKAGE: Final = Path(__file__).parents[1]


def docs_folder() -> Path:
    """Return the folder of the pages.

    Raises
    ------
    AnalyzerError
        When the package was installed without them.
    """
    # In a checkout the pages lie beside the package; the build copies them into it.
    for folder in (_PACKAGE / "docs", _PACKAGE.parent / "docs"):
        if (folder / "index.md").is_file():
            return folder
    raise AnalyzerError("the docs were not installed with the program; install it anew with pip")


def docs_titles() -> dict[str, str]:
    """Return name -> title of every page."""
    pages = sorted(docs_folder().glob("*.md"))
    return {page.stem: page.read_text(encoding="utf-8").partition("\n")[0].lstrip("# ") for page in pages}


def docs_page(name: str) -> str:
    """Return the text of a page by its name, ``sheets`` or ``sheets.md``; raises `AnalyzerError`."""
    known = docs_titles()
    stem = name.removeprefix("docs/").removesuffix(".md")
    if stem not in known:
        near = nearest(stem, known)
        raise AnalyzerError(
            one_line(f'there is no page "{name}" in the docs; {choices(stem, known)}'),
            None if near is None else (name, near),
        )
    return (docs_folder() / f"{stem}.md").read_text(encoding="utf-8")
