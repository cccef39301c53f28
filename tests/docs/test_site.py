"""The docs build as a site with one command and without a warning; nothing on it comes from elsewhere."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
COMMAND = "mkdocs build --strict --config-file .mkdocs.yml"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    pytest.importorskip("mkdocs", reason="pip install -e .[docs]")
    folder = tmp_path_factory.mktemp("site")
    call = [sys.executable, "-m", *COMMAND.split(), "--site-dir", str(folder)]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return folder, done.stderr


def test_every_page_is_built_without_a_warning(site: tuple[Path, str]):
    folder, said = site

    assert "WARNING" not in said
    pages = {page.stem for page in (ROOT / "docs").glob("*.md")}
    assert pages <= {page.stem for page in folder.glob("*.html")}


def test_the_site_loads_nothing_from_elsewhere(site: tuple[Path, str]):
    folder, _ = site
    for page in folder.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        loaded = re.findall(r'<(?:script|img|link)[^>]+(?:src|href)="(https?:)?//', text)
        assert loaded == [], page.name


def test_every_table_becomes_a_table(site: tuple[Path, str]):
    """A row that stands apart from its table would come out as a paragraph of bars."""
    folder, _ = site
    for page in folder.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.search(
            r"<p>\s*\||^\|.*\|$", re.sub(r"<pre>.*?</pre>", "", text, flags=re.DOTALL), re.M
        ), page.name


def test_the_command_is_documented():
    assert COMMAND in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
