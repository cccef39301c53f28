"""Whatever keeps an error or a warning from being seen says why, beside the line that does it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "analyzer"
WIDE = {"Exception", "BaseException"}
SUPPRESSORS = {"errstate", "suppress", "catch_warnings", "simplefilter", "filterwarnings", "seterr"}


def swallowing(tree: ast.AST) -> list[int]:
    """Return the lines that catch any error, or keep errors and warnings quiet."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ExceptHandler):
            caught = node.type
            if caught is None or (isinstance(caught, ast.Name) and caught.id in WIDE):
                found.append(node.lineno)
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in SUPPRESSORS:
                found.append(node.lineno)
    return found


def unexplained(text: str) -> list[int]:
    """Return the lines that swallow something and have no comment in them, above or below."""
    lines = text.split("\n")
    return [
        line
        for line in swallowing(ast.parse(text))
        if not any("#" in near for near in lines[max(0, line - 2) : line + 1])
    ]


@pytest.mark.parametrize(
    "code",
    [
        "try:\n    pass\nexcept:\n    pass",
        "try:\n    pass\n\nexcept Exception:\n    pass",
        "x = 1\n\nwith suppress(OSError):\n    pass",
        "x = 1\n\nwith np.errstate(all='ignore'):\n    pass",
    ],
)
def test_what_is_looked_for_is_found(code: str) -> None:
    assert unexplained(code)
    assert not unexplained(code.replace(":\n    pass", ":  # since\n    pass"))


def test_each_says_why() -> None:
    places = {
        f"{path.relative_to(PACKAGE)}:{line}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line in unexplained(path.read_text(encoding="utf-8"))
    }
    assert not places
