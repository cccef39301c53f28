"""What tests of several rooms share: the sample session, copied so that nothing is written beside it."""

import os
import shutil
from pathlib import Path

# Before anything loads the linear algebra: on several threads small fits cost many times more, and the
# command line keeps it to one, too.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Every test does the work itself; those of the cache name a folder of their own.
os.environ["ANALYZER_CACHE"] = "off"

import pytest

SAMPLE = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="session", autouse=True)
def _settings_of_the_tests(tmp_path_factory):
    """Keep the key of the cache out of the settings of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("settings")))
        yield


@pytest.fixture(scope="session")
def sample_session(tmp_path_factory):
    """A copy of the sample session without any report in it."""
    folder = tmp_path_factory.mktemp("sample") / "sample_logs"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("report*"))
    return folder


@pytest.fixture(scope="session")
def sample_review(sample_session):
    """The review of the sample session, done once."""
    from analyzer.session.review import review_session

    return review_session(sample_session)
