"""How a result names itself in one line, where Python shows it: a prompt, a list, a debugger."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Mapping
from enum import Enum
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from analyzer.archive.results import Archive
from analyzer.comparison.results import Choice, Comparison, Confirmation, SetupResult
from analyzer.core.errors import one_line
from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import Recording
from analyzer.prediction.results import BarLadder, SetupPrediction
from analyzer.processing.results import BottomingEvent, RunEstimates
from analyzer.report.words import count
from analyzer.session.course_sheet import CourseSheetResult
from analyzer.session.review import CheckOutcome, Review, Session
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet

LONGEST: Final = 160
"""Characters of a line; engineering judgement: two lines of a terminal."""
_LONGEST_PART: Final = 40


def name_in_one_line() -> None:
    """Give every class of results and sheets a representation of one line."""
    # Hung on as the form for notebooks is: data goes one way. The rooms that make results are loaded by now.
    # A class that shows itself in a way of its own keeps it.
    for name in [name for name in sys.modules if name.startswith("analyzer.")]:
        for cls in vars(sys.modules[name]).values():
            if isinstance(cls, type) and cls.__module__ == name and _shows_all_fields(cls):
                cls.__repr__ = _shown  # type: ignore[assignment, method-assign]
    Sheet.__repr__ = Sheet.__str__ = _shown  # type: ignore[method-assign]


def _shows_all_fields(cls: type) -> bool:
    params = vars(cls).get("__dataclass_params__")
    return params is not None and bool(params.repr)


def _shown(result: Any) -> str:
    words = _WORDS.get(type(result), _fields)(result)
    return one_line(f"{type(result).__name__}({words})", LONGEST)


def _fields(result: Any) -> str:
    names = (
        [field.name for field in dataclasses.fields(result) if field.repr]
        if dataclasses.is_dataclass(result)
        else list(type(result).model_fields)
    )
    return ", ".join(f"{name}={_part(getattr(result, name))}" for name in names)


def _part(value: Any) -> str:
    if isinstance(value, Estimate):
        return _estimate(value)
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, (pd.DataFrame, pd.Series, np.ndarray)):
        return " x ".join(str(length) for length in value.shape)
    if isinstance(value, str):
        return f'"{one_line(value, _LONGEST_PART)}"'
    if isinstance(value, (bool, int, float, type(None))):
        return repr(value)
    if isinstance(value, Path):
        return one_line(str(value), _LONGEST_PART)
    if isinstance(value, (Mapping, list, tuple, set, frozenset)):
        return f"<{len(value)}>"
    return type(value).__name__


def _estimate(estimate: Estimate) -> str:
    if estimate.value is None:
        return one_line(f"unknown: {estimate.notes[0]}", LONGEST // 2)
    return str(estimate)


def _gradients(estimates: Mapping[str, Estimate]) -> str:
    return "roll gradient " + ", ".join(f"{key} {_value(estimate)}" for key, estimate in estimates.items())


def _value(estimate: Estimate) -> str:
    return "unknown" if estimate.value is None else str(estimate)


def _named(name: str) -> str:
    return f'"{one_line(name, _LONGEST_PART)}"'


def _review(review: Review) -> str:
    left_out = len(review.failed) + len(review.faults)
    return (
        f"{_named(review.session.sheet.name)}: {count(len(review.runs), 'run')} on "
        f"{count(len(review.setups), 'set-up')}, {left_out} left out"
    )


def _session(session: Session) -> str:
    sheet = session.sheet
    return f"{_named(sheet.name)}: {count(len(sheet.runs), 'run')}, {count(len(sheet.setups), 'set-up')}"


def _run(run: RunEstimates) -> str:
    hits = count(len(run.bottoming), "hit")
    return f"{_named(run.name)} on {_named(run.setup)}: {_gradients(run.roll_gradient)}; {hits}"


def _recording(recording: Recording) -> str:
    rows, channels = recording.data.shape
    rate = f"{recording.sample_rate:.4g} Hz"
    return f"{_named(recording.run)}: {count(channels, 'channel')}, {count(rows, 'sample')} at {rate}"


def _event(event: BottomingEvent) -> str:
    hard = ", hard" if event.hard else ""
    depth = f"{1000.0 * event.stop_compression:.1f} mm"
    return f"{event.corner} {event.kind} at {event.peak_s:.2f} s, {depth} deep{hard}"


def _prediction(prediction: SetupPrediction) -> str:
    return f"{_named(prediction.name)}: {_gradients(prediction.roll_gradient)}"


def _setup(setup: SetupResult) -> str:
    return f"{_named(setup.name)}: {count(len(setup.runs), 'run')}, {count(len(setup.measured), 'figure')}"


def _comparison(comparison: Comparison) -> str:
    change = f"{_named(comparison.before)} to {_named(comparison.after)}"
    return f"{change}: {comparison.verdict.value}; roll stiffness ratio {_value(comparison.stiffness_ratio)}"


def _choice(choice: Choice) -> str:
    reached = sum(option.reached for option in choice.options)
    return f"{_named(choice.wish)}: {count(len(choice.options), 'option')}, {reached} of them meet it"


def _ladder(ladder: BarLadder) -> str:
    return f"{ladder.axle}: {count(len(ladder.rows), 'setting')}"


def _checked(outcome: CheckOutcome) -> str:
    left_out = len(outcome.failed)
    return f"{count(len(outcome.recordings), 'recording')}, {left_out} could not be read"


def _course(result: CourseSheetResult) -> str:
    return f"{_named(result.course or result.session)}: {count(len(result.places), 'place')}"


def _archive(archive: Archive) -> str:
    return f"{archive.folder.name}: {count(len(archive.cars), 'car')}, {len(archive.left_out)} left out"


_WORDS: Final[dict[type, Callable[[Any], str]]] = {
    Archive: _archive,
    BarLadder: _ladder,
    BottomingEvent: _event,
    CarSheet: lambda car: _named(car.name),
    CheckOutcome: _checked,
    Choice: _choice,
    Comparison: _comparison,
    Confirmation: lambda confirmation: _comparison(confirmation.comparison),
    CourseSheetResult: _course,
    Estimate: _estimate,
    Recording: _recording,
    Review: _review,
    RunEstimates: _run,
    Session: _session,
    SetupPrediction: _prediction,
    SetupResult: _setup,
}
"""What the main results say; of the others, each field in a few words."""
