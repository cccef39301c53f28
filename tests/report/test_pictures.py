"""The pictures of the docs say what the program says today."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from report.pictures import PICTURES, show

FOLDER = Path(__file__).parents[2] / "docs" / "pictures"
WORDS = json.loads((FOLDER / "words.json").read_text(encoding="utf-8"))


def test_every_picture_has_its_words_and_the_other_way_round():
    assert set(WORDS) == set(PICTURES) == {file.stem for file in FOLDER.glob("*.png")}
    assert all(len(words) >= 1 for words in WORDS.values())


@pytest.mark.parametrize("name", PICTURES)
def test_what_a_picture_says_is_what_the_program_says(browser, drivers_page: Path, name: str):
    said = show(browser, drivers_page.parent, name)

    assert said == WORDS[name], "take the pictures anew: python tests/report/pictures.py"
