"""Reviews made up by hand, and one browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from report.browser import BASH, CHROMIUM, Browser
from report.synthetic_review import Options, make_review

from analyzer import api
from analyzer.report.page import write_report
from analyzer.session.review import Review


@pytest.fixture
def review(tmp_path: Path) -> Review:
    """A session with two set-ups, three runs each, a verdict and bottoming."""
    return make_review(_sheets(tmp_path))


@pytest.fixture
def review_with(tmp_path: Path) -> Callable[[Options], Review]:
    """Make a review that differs from the usual one."""
    return lambda options: make_review(_sheets(tmp_path), options)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A real Chromium; tests that need one are skipped where there is none."""
    if CHROMIUM is None or BASH is None:
        pytest.skip("no chromium (and bash to start it) on this machine: apt install chromium")
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the usual session, written once for all tests that only read it."""
    folder = tmp_path_factory.mktemp("written")
    return write_report(make_review(_sheets(folder)), folder / "report")


@pytest.fixture(scope="session")
def drivers_page(tmp_path_factory: pytest.TempPathFactory, sample_review: Review) -> Path:
    """The driver's page of the sample session, with the report and the page of the runs beside it."""
    folder = tmp_path_factory.mktemp("with_course")
    return api.write_report(sample_review, folder / "report").with_name("course.html")


def _sheets(folder: Path) -> Path:
    made = folder / "session"
    made.mkdir(exist_ok=True)
    return made
