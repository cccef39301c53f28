"""No text makes a pattern of the package slow: each is timed on long hostile inputs."""

from __future__ import annotations

import ast
import importlib
import itertools
import pkgutil
import re
import time
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

import analyzer
from analyzer.core.errors import SheetError
from analyzer.ingest.cells import plain_row, read_header_cell
from analyzer.ingest.layout import _blanks_to_tabs, _is_wrapped
from analyzer.sheets.read import read_car

ROOT = Path(analyzer.__file__).parent
LONG = 100_000
LIMIT_S = 0.1
NOISE = 3.0
"""On a loaded machine a step may take this much longer; square time takes a thousand times longer."""

REPEATED = (
    " ", "\t", "\n", "\r\n", "[", "]", "(", ")", "{", "<", "<>", '"', '""', "'", "1", "1.", "1,", "1:",
    "01-", ".", ",", ";", "|", "-", "+", "_", "#", " #1", "a", "A", "aA", "a ", "a.", '"a".', "g", "±", "é",
    "0x", "µ", "%", "url(#", ' id="', ' width="', "<svg ", " but 1", "$", "/",
)  # fmt: skip
ENDS = (("", "!"), ("a", "]"))
MORE_ENDS = tuple(
    itertools.product(("", "a", '"a', "1", "[", "<svg ", "as a but 1"), ("", "!", "\n!", "]", '"'))
)


def modules():
    for found in pkgutil.walk_packages([str(ROOT)], "analyzer."):
        if not found.name.endswith("__main__"):
            yield importlib.import_module(found.name)


def patterns_in(value):
    if isinstance(value, re.Pattern):
        yield value
    elif isinstance(value, (list, tuple, set, frozenset)):
        for item in value:
            yield from patterns_in(item)
    elif isinstance(value, dict):
        yield from patterns_in(list(value.values()))


def uses():
    """Every pattern of the package with the ways in which its module uses it."""
    found = {}
    for module in modules():
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        ways: dict[str, set[str]] = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                owner = node.func.value
                owner = owner.value if isinstance(owner, ast.Subscript) else owner
                if isinstance(owner, ast.Name):
                    ways.setdefault(owner.id, set()).add(node.func.attr)
        for name, value in vars(module).items():
            for number, pattern in enumerate(patterns_in(value)):
                used = ways.get(name) or {"fullmatch", "search"}
                found[f"{module.__name__}.{name}[{number}]"] = (pattern, sorted(used & WAYS.keys()))
    for delimiter, decimal in itertools.product((",", ";", "\t"), (".", ",")):
        if delimiter != decimal:
            found[f"plain_row({delimiter!r}, {decimal!r})"] = (plain_row(delimiter, decimal), ["fullmatch"])
    return found


WAYS = {
    "match": lambda pattern, text: pattern.match(text),
    "fullmatch": lambda pattern, text: pattern.fullmatch(text),
    "search": lambda pattern, text: pattern.search(text),
    "split": lambda pattern, text: pattern.split(text),
    "findall": lambda pattern, text: pattern.findall(text),
    "finditer": lambda pattern, text: list(pattern.finditer(text)),
    "sub": lambda pattern, text: pattern.sub("", text) if isinstance(text, str) else pattern.sub(b"", text),
}


def time_of(pattern, way, text):
    """Return the processor time of a pattern [s]; the shortest of seven when it seems long."""
    text = text.encode() if isinstance(pattern.pattern, bytes) else text
    times = []
    for _ in range(7):
        started = time.process_time()
        WAYS[way](pattern, text)
        times.append(time.process_time() - started)
        if times[-1] < LIMIT_S * len(text) / LONG:
            break
    return min(times)


def share_of_limit(pattern, way, text):
    """Return the time of a pattern on a text as a share of what it may take on a noisy machine."""
    return time_of(pattern, way, text) / (NOISE * LIMIT_S * len(text) / LONG)


def slowest(pattern, ways, ends, length=LONG):
    """Return the greatest share of the limit of all texts, and which it was; ends at the first beyond it.

    A tenth of the length goes first. A text that takes a tenth of its limit or less there stays within the
    limit at the whole length even where time is square, so only the others are made whole.
    """
    worst = (0.0, "")
    for piece, (before, behind), way in itertools.product(REPEATED, ends, ways):
        named = f"{way} of {before!r}, {piece!r}…, {behind!r}"
        for part in (length // 10, length):
            share = share_of_limit(pattern, way, before + piece * (part // len(piece)) + behind)
            worst = max(worst, (share, named))
            if share > 1.0:
                return worst
            if share * NOISE < 0.1:
                break
    return worst


USES = uses()


def test_every_pattern_of_the_package_is_looked_at():
    # A pattern written within a call would be missed by the walk over the modules.
    within = [
        f"{path.relative_to(ROOT)}:{node.lineno}: re.{node.func.attr}"
        for path in sorted(ROOT.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "re"
        and node.func.attr not in ("compile", "escape")
    ]
    assert not within
    assert len(USES) > 40
    assert all(ways for _, ways in USES.values()), [name for name, (_, ways) in USES.items() if not ways]


def assert_fast(name, ends):
    pattern, ways = USES[name]
    share, text = slowest(pattern, ways, ends)
    assert share <= 1.0, f"{pattern.pattern!r}: {share:.1f} of the limit, {text}"


@pytest.mark.parametrize("name", USES)
def test_no_text_makes_a_pattern_slow(name):
    assert_fast(name, ENDS)


@pytest.mark.slow
@pytest.mark.parametrize("name", USES)
def test_no_text_with_other_ends_makes_a_pattern_slow(name):
    assert_fast(name, MORE_ENDS)


def test_the_test_finds_a_slow_pattern():
    share, _ = slowest(re.compile(r"[ \t]+(?=\r?$)"), ["search"], ENDS, LONG // 4)
    assert share > 1.0


@pytest.mark.parametrize("piece", [" ", "[", "(", "_", '"', "|", "1", "a", "."])
def test_header_cell_of_any_length_is_read_at_once(piece):
    started = time.perf_counter()
    read_header_cell("speed" + piece * LONG + "x [m")
    read_header_cell("speed" + piece * LONG + "]")
    assert time.perf_counter() - started < NOISE * LIMIT_S


# What took the place of a pattern finds what the pattern found.

OLD_BRACKETS = re.compile(r"^(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\)|\{([^}]*)\}|<([^>]*)>)\s*$", re.DOTALL)
OLD_WRAPPED = re.compile(r'"(?:[^"]|"")*[,;\t|](?:[^"]|"")*"\s*')


@given(st.text("ab []()<>{}", max_size=12))
def test_bracket_is_found_where_the_pattern_found_it(cell):
    from analyzer.ingest.cells import _bracketed

    found = _bracketed(cell.strip())
    match = OLD_BRACKETS.match(cell.strip())
    if match is None:
        assert found is None
    else:
        inside = next(part for part in match.groups()[1:] if part is not None)
        assert found == (match.group(1).strip(), inside)


@given(st.text('a",; ', max_size=12))
def test_wrapped_row_is_told_as_by_the_pattern(line):
    # A row that begins with a blank is the one difference: neither takes it for wrapped.
    assert _is_wrapped(line) == bool(OLD_WRAPPED.fullmatch(line))


@given(st.text("a \t\r\n", max_size=16))
def test_blanks_become_tabs_as_by_the_patterns(text):
    lines = text.encode()
    old = re.sub(rb"[ \t]+", b"\t", re.sub(rb"(?m)^[ \t]+|[ \t]+(?=\r?$)", b"", lines))
    assert _blanks_to_tabs(lines) == old


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (".".join("a" * 100_000) + " = 1", "key of more than 20 parts (at line 1)"),
        ("name = 'x'\n[" + ".".join(["a"] * 40_000) + "]", "key of more than 20 parts (at line 2)"),
        ("x = {" + " . ".join(['"a b"'] * 40_000) + " = 1}", "key of more than 20 parts (at line 1)"),
        ("mass = " + "1" * 5000, "thousands of digits"),
        ("mass = " + "[" * 100_000, "is not TOML"),
    ],
)
def test_sheet_built_to_be_slow_is_refused_at_once(text, said, tmp_path):
    sheet = tmp_path / "car.toml"
    sheet.write_text(text, encoding="utf-8")
    started = time.perf_counter()
    with pytest.raises(SheetError) as refused:
        read_car(sheet)
    assert time.perf_counter() - started < 1.0
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
