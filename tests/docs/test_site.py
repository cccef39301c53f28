"""The docs build as a site with one command and without a warning; nothing on it comes from elsewhere."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import quote

import pytest
from report.browser import CHROMIUM, Browser

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


ASKED = {
    "stiffness": "bars",
    "how stiff is my bar": "bars",
    "bottoming": "reading-the-report",
    "stuck pot": "log-format",
    "what does the error mean on my car": "reading-the-report",
    "spring rate": "sheets",
}
"""What a newcomer types, and a page that answers it."""


FOUND = """new Promise(done => {
  const links = () => [...document.querySelectorAll("#mkdocs-search-results a")];
  const box = document.getElementById("mkdocs-search-results");
  const answer = () => box.childElementCount ? done(links().map(a => a.href)) : setTimeout(answer, 20);
  answer();
})"""


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no chromium")
def test_a_newcomers_words_find_the_page_that_answers(site: tuple[Path, str]):
    folder, _ = site
    with (
        ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=folder)) as server,
        Browser() as browser,
    ):
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            for words, page in ASKED.items():
                browser.visit(f"http://127.0.0.1:{server.server_port}/index.html?q={quote(words)}", 1000)
                found = [Path(link).name for link in browser.evaluate(FOUND)]
                pages = list(dict.fromkeys(link.partition(".")[0] for link in found))
                assert page in pages[:3], (words, found[:10])
        finally:
            server.shutdown()
