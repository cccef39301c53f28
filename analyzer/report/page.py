"""The page: what stands where, handed to the template."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer.report.drawings import Drawings
from analyzer.report.text import (
    CAUTIONS,
)
from analyzer.report.wording import count, label, listed, sentence

if TYPE_CHECKING:
    from analyzer.session import Review

from analyzer.report.parts import Part, all_plates

_FOLDER: Final = Path(__file__).parent
Tell = Callable[[int, int], None]


def render_page(
    review: Review, results: dict[str, Any], parts: tuple[Part, ...], drawings: Drawings, tell: Tell
) -> str:
    """Return the whole page as HTML.

    Parameters
    ----------
    review : Review
        What is shown.
    results : dict
        From `results_dict`; hashes, version and steps of the footer come from here.
    parts : tuple of Part
        From `page_parts`.
    drawings : Drawings
        Where the figures come from.
    tell : callable
        Told before each figure how many are drawn and how many there are.
    """
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    plates = all_plates(parts)
    drawn = {}
    for done, plate in enumerate(plates):
        tell(done, len(plates))
        drawn[plate.key] = Markup(drawings.on_page(plate))
    return environment.get_template("report.html.j2").render(
        title=label(review.session.sheet.name, 80),
        subtitle=_subtitle(review),
        parts=parts,
        drawn=drawn,
        cautions=CAUTIONS,
        sources=_sources(results),
        version=results["version"],
        settings=_settings(review),
        steps=_steps(results),
        style=Markup((_FOLDER / "style.css").read_text(encoding="utf-8")),
    )


def _subtitle(review: Review) -> str:
    session = review.session
    driven = sum(bool(setup.runs) for setup in review.setups)
    words = [label(session.car.name), count(len(review.runs), "run"), f"{count(driven, 'set-up')} driven"]
    if session.course is not None:
        words.insert(1, label(session.course.name))
    return " · ".join(words)


def _sources(results: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return use, file name and hash of every file behind the page."""
    rows = [
        (f"{sheet['kind']} sheet", label(sheet["file"], 80), sheet["sha256"]) for sheet in results["sheets"]
    ]
    rows += [
        (f"log of {label(run['name'], 24)}", label(source["file"], 80), source["sha256"])
        for run in results["runs"]
        for source in run["sources"]
    ]
    return rows


def _settings(review: Review) -> list[str]:
    rates = sorted({f"{recording.sample_rate:.4g} Hz" for recording in review.recordings})
    lines = [
        "intervals hold the truth with 95 % probability unless they say otherwise",
        f"seed {review.seed} for the random draws behind them",
    ]
    if rates:
        lines.append(f"time base {listed(rates)}")
    if review.session.course is None:
        lines.append("no course sheet, so sections are named after the motion")
    return lines


def _steps(results: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """Return the steps of every run; runs with the same steps share one entry."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for run in results["runs"]:
        steps = tuple(sentence(step, 200) for step in run["steps"])
        groups.setdefault(steps, []).append(label(run["name"], 24))
    return [(listed(names, 12), list(steps)) for steps, names in groups.items() if steps]
