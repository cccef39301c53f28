"""The day of a session in its sheet."""

import datetime as dt
import tomllib

import pytest
from pydantic import ValidationError

from analyzer.sheets.session import SessionSheet

SHEET = 'name = "a"\ncar = "c"\n{}\n[setups.A]\n[[runs]]\nname = "r"\nlogs = ["l"]\nsetup = "A"\n'


@pytest.mark.parametrize(
    "line",
    ['date = "2031-05-04"', "date = 2031-05-04", "date = 2031-05-04T18:30:00", 'date = " 2031-05-04 "'],
)
def test_day_is_read(line):
    assert SessionSheet.model_validate(tomllib.loads(SHEET.format(line))).date == dt.date(2031, 5, 4)


def test_day_is_optional():
    assert SessionSheet.model_validate(tomllib.loads(SHEET.format(""))).date is None


@pytest.mark.parametrize("line", ['date = "4.5.2031"', "date = 20310504", "date = 10:30:00", "date = true"])
def test_other_things_are_refused_with_an_example(line):
    with pytest.raises(ValidationError, match="2031-05-04"):
        SessionSheet.model_validate(tomllib.loads(SHEET.format(line)))
