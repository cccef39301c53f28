"""The tables of the report folder: plain CSV for a spreadsheet, from the same dictionary as results.json."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any, Final

import pandas as pd

from analyzer.core.errors import plain_text
from analyzer.report.figures.style import Drawings

Row = dict[str, Any]

_ESTIMATE: Final = (
    "value",
    "std_error",
    "low",
    "high",
    "level",
    "calibration",
    "n",
    "unit",
    "reason",
    "provisional",
)

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "runs.csv": ("run", "setup", "quantity", *_ESTIMATE),
    "setups.csv": ("setup", "quantity", "kind", *_ESTIMATE),
    "measured_against_predicted.csv": (
        *("setup", "quantity", "unit", "measured", "measured_std_error", "predicted", "predicted_std_error"),
        *("ratio", "ratio_low", "ratio_high", "unexplained", "unexplained_low", "unexplained_high", "agrees"),
    ),
    "comparisons.csv": (
        *("before", "after", "axle", "verdict", "stiffness_ratio", "ratio_low", "ratio_high"),
        *("predicted_ratio", "predicted_low", "predicted_high", "smallest_visible", "reason"),
    ),
    "bottoming.csv": (
        *("run", "setup", "corner", "section", "kind", "start_s", "peak_s", "end_s", "peak_mm"),
        *("peak_error_mm", "stop_compression_mm", "approach_speed_m_per_s", "hard", "distance_m"),
        *("speed_m_per_s", "jolt_m_per_s2", "seen", "lateral_kept", "vertical_acceleration_m_per_s2"),
        *("bank_deg", "heave_mm", "roll_mm", "pitch_mm", "warp_mm", "cause_vertical_load_mm"),
        *("cause_roll_mm", "cause_pitch_mm", "cause_warp_mm", "cause_road_mm"),
    ),
    "splits.csv": ("run", "setup", "kind", "part", "seconds", "quantity", "axle", *_ESTIMATE),
    "health.csv": ("run", "channel", "check", "verdict", "value", "threshold", "unit", "comment"),
    "left_out.csv": ("run", "reason"),
}
"""Columns of every table, in order; explained in docs/results.md."""

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_tables(results: dict[str, Any], drawings: Drawings | None = None) -> dict[str, str]:
    """Return file name -> text of every table of what `results_dict` gave.

    Comma separated, one header row, lines ended by a line feed. Columns and units are listed in
    docs/results.md; unknown figures are empty cells. A table that the program fails at is left out where
    `drawings` are given to hear of it.
    """
    rows_of, written = _all_rows(results), {}
    for file, rows in rows_of.items():
        make = partial(csv_text, COLUMNS[file], rows)
        text = make() if drawings is None else drawings.written(f"tables/{file}", make, lambda _fault: "")
        if text:
            written[file] = text
    return written


def data_frames(results: dict[str, Any]) -> dict[str, pd.DataFrame]:
    """Return every table under its file's name without ``.csv``; unknown cells are missing."""
    return {
        file.removesuffix(".csv"): pd.DataFrame(list(rows), columns=list(COLUMNS[file]))
        for file, rows in _all_rows(results).items()
    }


def _all_rows(results: dict[str, Any]) -> dict[str, Iterable[Row]]:
    # In the order of COLUMNS. From the dictionary and not from the results themselves, so that a table cannot
    # say anything else than results.json.
    return {
        "runs.csv": _runs(results),
        "setups.csv": _setups(results),
        "measured_against_predicted.csv": _ledgers(results),
        "comparisons.csv": _comparisons(results),
        "bottoming.csv": _bottoming(results),
        "splits.csv": _splits(results),
        "health.csv": _health(results),
        "left_out.csv": (
            {"run": f["name"], "reason": f["reason"]} for f in (*results["failed"], *results["faults"])
        ),
    }


def csv_text(columns: tuple[str, ...], rows: Iterable[Row]) -> str:
    """Return rows as CSV text; text that a spreadsheet would take for a formula gets an apostrophe."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row.get(column)) for column in columns])
    return buffer.getvalue()


def cell(value: Any) -> str:
    """Return one cell: numbers as Python writes them, yes or no, text made harmless, unknown as empty."""
    if value is None:
        return ""
    # Before the numbers: to Python True is one of them.
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return repr(value)
    # A name from a log may begin like a formula, after blanks too; a spreadsheet would run it on opening
    # (OWASP, "CSV Injection", from memory). An apostrophe makes it text.
    text = plain_text(str(value)).replace("\n", " ")
    risky = text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS)
    return "'" + text if risky else text


def _parts(estimate: dict[str, Any]) -> Row:
    # The reason stands where a cell is empty, and nowhere else: notes of a known figure are in results.json.
    low, high = estimate["interval"] or (None, None)
    unknown = estimate["value"] is None or estimate["std_error"] is None
    reason = "; ".join(estimate["notes"]) if unknown else ""
    rests = " ".join(estimate["provisional"])
    return {**estimate, "low": low, "high": high, "reason": reason, "provisional": rests}


def _under(start: str, estimates: dict[str, Any]) -> dict[str, Any]:
    return {f"{start}_{key}": estimate for key, estimate in estimates.items()}


def _runs(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        named = {
            **_under("roll_gradient", run["roll_gradient"]),
            **_under("roll_gradient_body", run["roll_gradient_body"]),
            "roll_stiffness_ratio": run["roll_stiffness_ratio"],
            **_under("left_share", run["left_share"]),
            **{key: e for axle, load in run["load"].items() for key, e in _loads(axle, load).items()},
            **run["further"],
        }
        for quantity, estimate in named.items():
            yield {"run": run["name"], "setup": run["setup"], "quantity": quantity, **_parts(estimate)}


def _loads(axle: str, load: dict[str, Any]) -> dict[str, Any]:
    """Return the estimates of an axle's loads by quantity; light time by its threshold in percent."""
    named = {f"{part}_{axle}": load[part] for part in ("lowest_load", "evenness", "light_time")}
    for light in load["light"]:
        below = f"below_{100.0 * light['below']:g}_percent_{axle}"
        named |= {f"light_{part}_{below}": light[part] for part in ("share", "seconds")}
    return named


def _setups(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        # One row per figure, measured and predicted alike, so that a filter on the quantity shows both.
        predicted = setup["predicted"]
        named = {f"bar_rate_{axle}": bar["rate"] for axle, bar in predicted["bars"].items()}
        for group in ("roll_stiffness", "roll_gradient", "roll_gradient_body"):
            named |= _under(group, predicted[group])
        for axle, parts in predicted["load_transfer"].items():
            named |= {f"load_transfer_{part}_{axle}": e for part, e in parts.items()}
        named["front_share"] = predicted["front_share"]
        for kind, estimates in (("measured", setup["measured"]), ("predicted", named)):
            for quantity, estimate in estimates.items():
                yield {"setup": setup["name"], "quantity": quantity, "kind": kind, **_parts(estimate)}


def _ledgers(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        for row in setup["ledger"]:
            yield {
                "setup": setup["name"],
                "quantity": row["quantity"],
                "unit": row["measured"]["unit"],
                "measured": row["measured"]["value"],
                "measured_std_error": row["measured"]["std_error"],
                "predicted": row["predicted"]["value"],
                "predicted_std_error": row["predicted"]["std_error"],
                **_with_ends(row["ratio"], "ratio", "ratio"),
                **_with_ends(row["unexplained"], "unexplained", "unexplained"),
                "agrees": row["agrees"],
            }


def _with_ends(estimate: dict[str, Any], key: str, start: str) -> Row:
    low, high = estimate["interval"] or (None, None)
    return {key: estimate["value"], f"{start}_low": low, f"{start}_high": high}


def _comparisons(results: dict[str, Any]) -> Iterator[Row]:
    for comparison in results["comparisons"]:
        yield {
            **{key: comparison[key] for key in ("before", "after", "verdict", "reason")},
            "axle": comparison["axle"] or "both",
            **_with_ends(comparison["stiffness_ratio"], "stiffness_ratio", "ratio"),
            **_with_ends(comparison["predicted_ratio"], "predicted_ratio", "predicted"),
            "smallest_visible": comparison["smallest_visible"]["value"],
        }


def _bottoming(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        # Both ends of the travel in one table; the column "kind" tells them apart.
        for event in (*run["bottoming"], *run["topping"]):
            budget = {f"{part}_mm": travel for part, travel in (event["budget_mm"] or {}).items()}
            causes = {f"cause_{part}_mm": travel for part, travel in (event["causes_mm"] or {}).items()}
            yield {"run": run["name"], "setup": run["setup"], **event, **budget, **causes}


def _splits(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for split in run["splits"]:
            # A long table: one row per figure, and no empty columns for axles without loads.
            head = {"run": run["name"], "setup": run["setup"], "part": split["name"]}
            for quantity in ("roll_gradient_body", "left_share", "share_slope"):
                for axle, estimate in split[quantity].items():
                    yield {**split, **head, "quantity": quantity, "axle": axle, **_parts(estimate)}


def _health(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for row in run["health"]:
            yield {"run": run["name"], **row}
