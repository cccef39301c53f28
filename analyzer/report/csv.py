"""The tables of the report folder: plain CSV for a spreadsheet, from the same dictionary as results.json."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pandas as pd


Row = dict[str, Any]

_ESTIMATE: Final = ("value", "std_error", "low", "high", "level", "calibration", "n", "unit", "reason")

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "runs.csv": ("run", "setup", "quantity", *_ESTIMATE),
    "setups.csv": ("setup", "quantity", "kind", *_ESTIMATE),
    "measured_against_predicted.csv": (
        "setup",
        "quantity",
        "unit",
        "measured",
        "measured_std_error",
        "predicted",
        "predicted_std_error",
        "ratio",
        "ratio_low",
        "ratio_high",
        "unexplained",
        "unexplained_low",
        "unexplained_high",
        "agrees",
    ),
    "comparisons.csv": (
        "before",
        "after",
        "axle",
        "verdict",
        "stiffness_ratio",
        "ratio_low",
        "ratio_high",
        "predicted_ratio",
        "predicted_low",
        "predicted_high",
        "smallest_visible",
        "reason",
    ),
    "bottoming.csv": (
        "run",
        "setup",
        "corner",
        "section",
        "kind",
        "start_s",
        "peak_s",
        "end_s",
        "peak_mm",
        "peak_error_mm",
        "stop_compression_mm",
        "approach_speed_m_per_s",
        "hard",
        "distance_m",
        "speed_m_per_s",
        "jolt_m_per_s2",
        "seen",
        "lateral_kept",
        "vertical_acceleration_m_per_s2",
        "bank_deg",
        "heave_mm",
        "roll_mm",
        "pitch_mm",
        "warp_mm",
        "cause_vertical_load_mm",
        "cause_roll_mm",
        "cause_pitch_mm",
        "cause_warp_mm",
        "cause_road_mm",
    ),
    "splits.csv": ("run", "setup", "kind", "part", "seconds", "quantity", "axle", *_ESTIMATE),
    "health.csv": ("run", "channel", "check", "verdict", "value", "threshold", "unit", "comment"),
    "left_out.csv": ("run", "reason"),
}
"""Columns of every table, in order; explained in docs/results.md."""
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_tables(results: dict[str, Any]) -> dict[str, str]:
    """Return file name -> text of every table.

    Parameters
    ----------
    results : dict
        From `analyzer.report.json.results_dict`.

    Returns
    -------
    dict
        UTF-8 text, comma separated, one header row, lines ended by a line feed. Columns and units are
        listed in docs/results.md. Unknown figures are empty cells.
    """
    rows = _all_rows(results)
    return {file: csv_text(COLUMNS[file], rows[file]) for file in COLUMNS}


def data_frames(results: dict[str, Any]) -> dict[str, pd.DataFrame]:
    """Return every table as a DataFrame under its file's name without ``.csv``; unknown cells are missing.

    Parameters
    ----------
    results : dict
        From `analyzer.report.json.results_dict`.
    """
    import pandas as pd

    rows = _all_rows(results)
    return {
        file.removesuffix(".csv"): pd.DataFrame(list(rows[file]), columns=list(columns))
        for file, columns in COLUMNS.items()
    }


def _all_rows(results: dict[str, Any]) -> dict[str, Iterator[Row]]:
    return {
        "runs.csv": _runs(results),
        "setups.csv": _setups(results),
        "measured_against_predicted.csv": _ledgers(results),
        "comparisons.csv": _comparisons(results),
        "bottoming.csv": _bottoming(results),
        "splits.csv": _splits(results),
        "health.csv": _health(results),
        "left_out.csv": ({"run": f["name"], "reason": f["reason"]} for f in results["failed"]),
    }


def write_tables(results: dict[str, Any], folder: Path) -> None:
    """Write every table into `folder`, which is made."""
    folder.mkdir()
    for file, text in csv_tables(results).items():
        (folder / file).write_bytes(text.encode("utf-8", "backslashreplace"))


def csv_text(columns: tuple[str, ...], rows: Iterator[Row]) -> str:
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
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return repr(value)
    text = str(value).replace("\x00", "")
    risky = text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS)
    return "'" + text if risky else text


def _parts(estimate: dict[str, Any]) -> Row:
    low, high = estimate["interval"] or (None, None)
    unknown = estimate["value"] is None or estimate["std_error"] is None
    return {**estimate, "low": low, "high": high, "reason": "; ".join(estimate["notes"]) if unknown else ""}


def _runs(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        named = {
            **{f"roll_gradient_{key}": e for key, e in run["roll_gradient"].items()},
            **{f"roll_gradient_body_{key}": e for key, e in run["roll_gradient_body"].items()},
            "roll_stiffness_ratio": run["roll_stiffness_ratio"],
            **{f"left_share_{axle}": e for axle, e in run["left_share"].items()},
            **{key: e for axle, load in run["load"].items() for key, e in _loads(axle, load).items()},
            **run["further"],
        }
        for quantity, estimate in named.items():
            yield {"run": run["name"], "setup": run["setup"], "quantity": quantity, **_parts(estimate)}


def _loads(axle: str, load: dict[str, Any]) -> dict[str, Any]:
    """Return the estimates of an axle's loads by quantity; light time by its threshold in percent."""
    named = {f"{part}_{axle}": load[part] for part in ("lowest_load", "evenness", "light_time")}
    for light in load["light"]:
        percent = f"{100.0 * light['below']:g}"
        named |= {
            f"light_{part}_below_{percent}_percent_{axle}": light[part] for part in ("share", "seconds")
        }
    return named


def _setups(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        predicted = setup["predicted"]
        groups: dict[str, dict[str, Any]] = {
            "measured": setup["measured"],
            "predicted": {
                **{f"bar_rate_{axle}": bar["rate"] for axle, bar in predicted["bars"].items()},
                **{
                    f"{group}_{key}": e
                    for group in ("roll_stiffness", "roll_gradient", "roll_gradient_body")
                    for key, e in predicted[group].items()
                },
                **{
                    f"load_transfer_{part}_{axle}": e
                    for axle, parts in predicted["load_transfer"].items()
                    for part, e in parts.items()
                },
                "front_share": predicted["front_share"],
            },
        }
        for kind, estimates in groups.items():
            for quantity, estimate in estimates.items():
                yield {"setup": setup["name"], "quantity": quantity, "kind": kind, **_parts(estimate)}


def _ledgers(results: dict[str, Any]) -> Iterator[Row]:
    for setup in results["setups"]:
        for row in setup["ledger"]:
            ratio, rest = _parts(row["ratio"]), _parts(row["unexplained"])
            yield {
                "setup": setup["name"],
                "quantity": row["quantity"],
                "unit": row["measured"]["unit"],
                "measured": row["measured"]["value"],
                "measured_std_error": row["measured"]["std_error"],
                "predicted": row["predicted"]["value"],
                "predicted_std_error": row["predicted"]["std_error"],
                "ratio": ratio["value"],
                "ratio_low": ratio["low"],
                "ratio_high": ratio["high"],
                "unexplained": rest["value"],
                "unexplained_low": rest["low"],
                "unexplained_high": rest["high"],
                "agrees": row["agrees"],
            }


def _comparisons(results: dict[str, Any]) -> Iterator[Row]:
    for comparison in results["comparisons"]:
        ratio, predicted = _parts(comparison["stiffness_ratio"]), _parts(comparison["predicted_ratio"])
        yield {
            **{key: comparison[key] for key in ("before", "after", "verdict", "reason")},
            "axle": comparison["axle"] or "both",
            "stiffness_ratio": ratio["value"],
            "ratio_low": ratio["low"],
            "ratio_high": ratio["high"],
            "predicted_ratio": predicted["value"],
            "predicted_low": predicted["low"],
            "predicted_high": predicted["high"],
            "smallest_visible": comparison["smallest_visible"]["value"],
        }


def _bottoming(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for event in (*run["bottoming"], *run["topping"]):
            budget = {f"{part}_mm": travel for part, travel in (event["budget_mm"] or {}).items()}
            causes = {f"cause_{part}_mm": travel for part, travel in (event["causes_mm"] or {}).items()}
            yield {"run": run["name"], "setup": run["setup"], **event, **budget, **causes}


def _splits(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for split in run["splits"]:
            for quantity in ("roll_gradient_body", "left_share", "share_slope"):
                for axle, estimate in split[quantity].items():
                    yield {
                        "run": run["name"],
                        "setup": run["setup"],
                        "kind": split["kind"],
                        "part": split["name"],
                        "seconds": split["seconds"],
                        "quantity": quantity,
                        "axle": axle,
                        **_parts(estimate),
                    }


def _health(results: dict[str, Any]) -> Iterator[Row]:
    for run in results["runs"]:
        for row in run["health"]:
            yield {"run": run["name"], **row}
