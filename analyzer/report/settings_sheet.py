"""Every setting of the car's bars: plain data, the text on a terminal, a table and one figure per bar."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analyzer.core.errors import AnalyzerError, plain_text
from analyzer.core.estimate import Estimate, decimals_for_error, format_estimate
from analyzer.core.files import json_bytes, write_together
from analyzer.core.units import AXLES, Axle
from analyzer.prediction.results import STATED_LATERAL, BarLadder, LadderRow, TriedSetting, TubeChoice, WhatIf
from analyzer.prediction.settings import bar_ladder, travel_curve, tube_choices
from analyzer.report.figures import style
from analyzer.report.plain_data import plain, taken
from analyzer.report.terminal import plain_table
from analyzer.report.words import LOW_FACTOR, STAR, UNKNOWN, spacers, times, true_minus, until_measured
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.bar.linkage import BarMotion
from analyzer.vehicle.bar.stress import FATIGUE_CAUTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOW_CAUTION: Final = (
    "a factor under about 1.5 at full opposite travel leaves no room for kerbs and weld faults"
)
YIELD_CAUTION: Final = (
    "a factor under 1 yields: the part stays bent and may break; limit the travel or fit a stronger part "
    "before the setting is driven"
)
CAUTIONS: Final = (
    FATIGUE_CAUTION,
    "series rules and a qualified fabricator have the last word; support the car before working under it",
)


def bar_json(
    car: CarSheet,
    axles: Sequence[Axle] = AXLES,
    lateral: float = STATED_LATERAL,
    banks: Sequence[float] | None = None,
) -> dict[str, Any]:
    """Return every setting of the car's bars as plain data (docs/bars.md explains the keys).

    `lateral` is the acceleration towards the inside, speed^2 / radius, for stress and travel [g]; `banks` are
    the cross slopes for the use of travel [deg], None for a few examples. A bent bar that cannot be raises
    `AnalyzerError`.
    """
    tables: dict[str, Any] = {}
    for axle in axles:
        ladder = bar_ladder(car, axle, lateral=lateral, banks=banks)
        tables[axle] = {"kind": "none", "settings": []}
        if ladder is not None:
            tables[axle] = {**ladder_json(ladder), "tubes": tubes_json(tube_choices(car, axle, ladder))}
    factors = [row["stress_factor"] for part in tables.values() for row in part["settings"]]
    least = min((factor for factor in factors if factor is not None), default=math.inf)
    # Said where it holds, so that it is read there.
    found = [text for text, limit in ((YIELD_CAUTION, 1.0), (LOW_CAUTION, LOW_FACTOR)) if least < limit]
    cautions = [FATIGUE_CAUTION, *found, *CAUTIONS[1:]]
    return {"car": car.name, "stated_lateral_g": lateral, "axles": tables, "cautions": cautions}


def ladder_json(ladder: BarLadder) -> dict[str, Any]:
    """Return one axle's ladder as plain data."""
    # Text, table and figure below are made of this dictionary alone, so that they cannot say anything else
    # than bar.json does.
    wheel, rate = travel_curve(ladder.fitted)
    preload = ladder.preload
    table: dict[str, Any] = plain(
        {
            "kind": ladder.kind,
            "wheel_travel_m": taken(ladder.travel, "bump droop"),
            "settings": [_row(row) for row in ladder.rows],
            "what_if": [_what_if(item) for item in ladder.what_if],
            "solid_or_tube": [_what_if(item) for item in ladder.comparison],
            "rate_over_travel": {"wheel_travel_m": wheel, "rate_n_per_m": rate},
            "travel_use": [
                {
                    "bank_deg": item.bank_deg,
                    "lateral_g": item.lateral,
                    **taken(item.use, "heave roll total"),
                    "gap_mm": item.use.gap,
                    "margin": item.use.margin,
                }
                for item in ladder.use
            ],
            "further": ladder.further,
            "bench": ladder.bench,
            "preload": preload
            and {"left_longer_m": preload.left_longer, **taken(preload, "link_force corner_change")},
            "assumed": ladder.assumed,
        }
    )
    return table


def tubes_json(choices: Sequence[TubeChoice]) -> list[dict[str, Any]]:
    """Return tubes that could be fitted as plain data, the present one first."""
    found: list[dict[str, Any]] = plain(
        [
            {
                "kind": item.kind,
                "diameter_m": item.diameter,
                "wall_m": item.wall,
                "rate_n_per_m": item.rate,
                "stress_factor": item.stress_factor,
                "mass_kg": item.mass,
            }
            for item in choices
        ]
    )
    return found


def _row(row: LadderRow) -> dict[str, Any]:
    return {
        **taken(row, "hole spacers"),
        "right": None if row.right is None else {"hole": row.right[0], "spacers": row.right[1]},
        **taken(row, "setting fitted rate change compliance roll_stiffness roll_gradient stress_factor"),
        "stress": [
            {
                "place": item.place,
                "full_travel_pa": item.full_travel,
                "stated_lateral_pa": item.stated_lateral,
                "yield_pa": item.yield_strength,
                **taken(item, "factor stated_factor cycles"),
            }
            for item in row.stress
        ],
        "motion": _motion(row.motion),
    }


def _motion(motion: BarMotion) -> dict[str, Any]:
    # Angles in degrees at the door. A least angle of 0 between link and lever: it would go over centre.
    low, high = motion.lever_range
    return {
        "lever_angle_deg": [math.degrees(low), math.degrees(high)],
        "least_link_angle_deg": math.degrees(motion.least_meeting_angle),
        "rod_end_misalignment_deg": math.degrees(motion.misalignment),
        "rod_end_binds_at_mm": times(motion.binds_at, 1000.0),
        "rate_change_percent": times(motion.rate_change, 100.0),
        "warnings": motion.warnings,
    }


def _what_if(item: WhatIf) -> dict[str, Any]:
    return {**taken(item, "change rate"), "ratio_percent": item.ratio, "mass_kg": item.mass}


# The settings of a car's bars on a terminal, and as a folder with table and figure.


WIDTH: Final = 80
FEWEST_CYCLES: Final = 10_000
"""Cycles below which the design curves of the fatigue classes do not hold (IIW recommendations, from
memory)."""

MARK: Final = "←"
WHOLE: Final = 78
"""Columns that one table of settings takes."""
_HEADS: Final = (
    *("hole", "sp.", "rate\nN/mm", "change\n%", "axle roll\nN m/deg", "gradient\ndeg/g"),
    *("stress\nfactor", ""),
)


def ladder_text(table: dict[str, Any], width: int = WIDTH) -> str:
    """Return what `bar_json` holds as text of at most `width` columns, softest setting first."""
    out = io.StringIO()
    console = Console(file=out, width=width, highlight=False, markup=False, emoji=False)
    for axle, part in table["axles"].items():
        title = f"{table['car']}, {axle} bar"
        if part["kind"] == "none":
            console.print(Text(f"{title}: none in the car sheet"))
            continue
        console.print(Text(title))
        for settings in _settings_tables(part, width):
            console.print(settings)
        for line in _below_settings(part, float(table["stated_lateral_g"]), width):
            console.print(Text(line), soft_wrap=False)
        if part["what_if"]:
            console.print(_what_if_table("what another part would do", part["what_if"]))
        console.print(_what_if_table("solid or tube", part["solid_or_tube"]))
        console.print(Text("taken where the sheet is silent:"))
        for line in part["assumed"]:
            console.print(Text(textwrap.fill(line, width - 2, initial_indent="  ", subsequent_indent="    ")))
        console.print()
    for line in table["cautions"]:
        console.print(Text(textwrap.fill(line, width, initial_indent="! ", subsequent_indent="  ")))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def save_ladder(table: dict[str, Any], folder: Path) -> Path:
    """Write ``bar.json``, and per axle with a bar ``bar_front.csv`` and ``bar_front.svg``, to `folder`.

    Such files of an earlier call are replaced, all or none; whatever else lies there is left alone. A file of
    such a name that is another's, or a folder that cannot be written to, raises `AnalyzerError`.
    """
    # The figures of both axles belong to one table: all files are replaced together or none.
    folder = folder.expanduser()
    files = {folder / "bar.json": json_bytes(table, sort_keys=False)}
    for axle, part in table["axles"].items():
        if part["kind"] != "none":
            files[folder / f"bar_{axle}.csv"] = settings_csv(part).encode()
            files[folder / f"bar_{axle}.svg"] = bar_svg(part, f"{table['car']}, {axle} bar").encode()
    try:
        write_together(files)
    except OSError as error:
        reason = error.strerror or "not writable"
        raise AnalyzerError(f"{folder}: cannot be written to ({reason}); choose another folder") from None
    return folder


def settings_csv(part: dict[str, Any]) -> str:
    """Return the settings of one axle as comma-separated text, units in the header."""
    # A column for each place that gives way in any of the settings; empty where it does not.
    parts = list(dict.fromkeys(key for row in part["settings"] for key in row["compliance"]))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    head = ["hole", "spacers", "setting", "fitted", "rate_n_per_mm", "rate_std_n_per_mm", "change_percent"]
    head += ["change_std_percent", "roll_stiffness_nm_per_deg", "roll_gradient_deg_per_g", "stress_factor"]
    writer.writerow([*head, *(f"{name.replace(' ', '_')}_mm_per_kn" for name in parts), "warnings"])
    for row in part["settings"]:
        cells: list[Any] = [row["hole"], row["spacers"], row["setting"], "yes" if row["fitted"] else "no"]
        cells += [_number(row["rate"]["value"], 1e-3), _number(row["rate"]["std_error"], 1e-3)]
        cells += [_number(row["change"]["value"]), _number(row["change"]["std_error"])]
        cells += [_number(row[key]["value"]) for key in ("roll_stiffness", "roll_gradient")]
        cells.append(_number(row["stress_factor"]))
        cells += [_number(row["compliance"].get(name), 1e6) for name in parts]
        writer.writerow([*cells, plain_text("; ".join(row["motion"]["warnings"]))])
    return out.getvalue()


def signed_percent(entry: dict[str, Any], with_unit: bool = True) -> str:
    """Return a change as "+12.3 ± 0.4 %", or "0 %" for the fitted setting."""
    value, error = entry["value"], entry["std_error"]
    unit = " %" if with_unit else ""
    if value is None:
        return UNKNOWN
    if value == 0.0:
        return f"0{unit}"
    # The digits of `format_estimate`, which has no sign before a rise; more than two say nothing of a bar.
    places = 2 if not error else max(0, min(2, decimals_for_error(error)))
    shown = _signed(value, places)
    return (f"{shown} ± {error:.{places}f}{unit}" if error else f"{shown}{unit}") + _star(entry)


def _settings_tables(part: dict[str, Any], width: int) -> list[Table]:
    """Return the settings as one table, or as two where the terminal is too narrow for one line each."""
    rows = [_setting_cells(row) for row in part["settings"]]
    every = tuple(range(len(_HEADS)))
    # Of the bar, with the marks; then of the axle, with the stress.
    parts = [every] if width >= WHOLE else [(*every[:4], every[-1]), (*every[:2], *every[4:-1])]
    tables = []
    for columns in parts:
        tables.append(table := plain_table(tuple(_HEADS[column] for column in columns), 0))
        table.columns[-1].justify = "right" if _HEADS[columns[-1]] else "left"
        for row in rows:
            table.add_row(*(row[column] for column in columns))
    return tables


def _setting_cells(row: dict[str, Any]) -> tuple[str, ...]:
    # Marked with a sign, not a colour: the text goes into files and messages.
    factor = row["stress_factor"]
    shown = UNKNOWN if factor is None else f"{factor:.2f}" + ("!" if factor < LOW_FACTOR else "")
    marks = [f"{MARK} fitted"] if row["fitted"] else []
    marks += ["yields"] if factor is not None and factor < 1.0 else []
    marks += ["motion!"] if row["motion"]["warnings"] else []
    return (
        _both_sides(row, "hole"),
        _both_sides(row, "spacers"),
        _value(row["rate"], 1e-3),
        signed_percent(row["change"], with_unit=False),
        _value(row["roll_stiffness"]),
        _value(row["roll_gradient"]),
        shown,
        "\n".join(marks),
    )


def setting_figures(tried: TriedSetting) -> tuple[tuple[str, str], ...]:
    """Return the figures of one setting in words, each with its name."""
    table: dict[str, Any] = plain(_row(tried.row))
    factor, motion = table["stress_factor"], table["motion"]
    low, high = motion["lever_angle_deg"]
    yields = ", yields" if factor is not None and factor < 1.0 else ""
    return (
        ("Rate", f"{_value(table['rate'], 1e-3)} N/mm"),
        ("Against the fitted one", signed_percent(table["change"])),
        ("Roll stiffness of the axle", f"{_value(table['roll_stiffness'])} N m/deg"),
        ("Roll gradient", f"{_value(table['roll_gradient'])} deg/g"),
        ("Stress factor at full opposite travel", UNKNOWN if factor is None else f"{factor:.2f}{yields}"),
        (f"Outer damper's travel in roll at {STATED_LATERAL:g} g", format_estimate(tried.roll)),
        (
            "Left of it before the bump stop",
            UNKNOWN if tried.margin.value is None else format_estimate(tried.margin),
        ),
        ("Blades turn", f"{_signed(low)} to {_signed(high)} deg"),
    )


def _both_sides(row: dict[str, Any], key: str) -> str:
    """Return hole or spacers of a setting, as "left/right" where the sides differ."""
    if row[key] is None:
        return UNKNOWN
    return str(row[key]) if row["right"] is None else f"{row[key]}/{row['right'][key]}"


def _below_settings(part: dict[str, Any], lateral: float, width: int) -> list[str]:
    """Return compliance, stress, motion, bench and preload of the fitted setting in plain lines."""
    # Of the fitted setting alone: a tuner reads the others as a change from it.
    row = next(item for item in part["settings"] if item["fitted"])
    total = sum(row["compliance"].values())
    # The softest part first, whatever its sign: a place may move against the load and stiffen the bar.
    shares = sorted(row["compliance"].items(), key=lambda item: -abs(item[1]))
    shown = [f"{name} {100.0 * value / total:.1f} %" for name, value in shares if abs(value) > 5e-4 * total]
    lines = [f"fitted ({row['setting']}) gives way in: " + ", ".join(shown)]
    figures = [item[key] for item in part["settings"] for key in ("rate", "roll_gradient")]
    marks = dict.fromkeys(mark for figure in figures for mark in figure["provisional"])
    if marks:
        lines.insert(0, f"* provisional until {until_measured(list(marks))} (marked TO MEASURE)")
    lines += _stress_lines(row["stress"], lateral)
    lines.append(_motion_line(row["motion"], part["wheel_travel_m"]))
    # Warnings of the motion stand with it, before what the bar does to the car.
    lines += [f"! {w}" for w in row["motion"]["warnings"]]
    lines += _car_lines(part)
    # What was measured on the bench, and whether the settings above rest on it.
    if part["bench"] is not None:
        lines += _bench_lines(part["bench"])
    # Links of unequal length twist the bar at rest; one side says it all, the other is its mirror.
    if part["preload"] is not None:
        changes = ", ".join(
            f"{axle} left {_value(entry)} N" for axle, entry in part["preload"]["corner_change"].items()
        )
        longer = part["preload"]["left_longer_m"] * 1000.0
        lines.append(f"unequal links (left {_signed(longer, 1)} mm): {changes}; right the other way round")
    return [filled for line in lines for filled in textwrap.wrap(line, width, subsequent_indent="  ")]


def _stress_lines(places: list[dict[str, Any]], lateral: float) -> list[str]:
    """Return what the fitted setting's stress comes to: at full travel, at the stated force, over time."""
    lines = []
    # The place with the least factor on yield; without a yield strength in the sheet there is none.
    known = [place for place in places if place["factor"] is not None]
    for when, stress, factor in (
        ("highest stress at full opposite travel", "full_travel_pa", "factor"),
        (f"highest stress at {lateral:g} g", "stated_lateral_pa", "stated_factor"),
    ):
        judged = [place for place in known if place[factor] is not None]
        if judged:
            worst = min(judged, key=lambda place: place[factor])
            size = f"{worst[stress] / 1e6:.0f} MPa"
            lines.append(f"{when}: {worst['place']}, {size}, {_judged(worst[factor])}")
    unknown = [place["place"] for place in places if place["yield_pa"] is None]
    if unknown:
        lines.append(f"! yield strength not known, stress not judged: {', '.join(unknown)}")
    yields = [p["place"] for p in known if p["stated_factor"] is not None and p["stated_factor"] <= 1.0]
    # Not known for every place; the shortest one counts, at the stated lateral, since full travel is rare.
    lives = [place for place in places if place["cycles"] is not None]
    if yields:
        lines.append(f"! no life at {lateral:g} g from side to side: {', '.join(yields)} yields on the way")
    elif lives:
        short = min(lives, key=lambda place: place["cycles"])
        # Below what the design curves hold for they are no more than a warning.
        count, few = short["cycles"], short["cycles"] < FEWEST_CYCLES
        words = f"under {FEWEST_CYCLES:,}" if few else f"about {int(float(f'{count:.1g}')):,}"
        lines.append(f"shortest life at {lateral:g} g from side to side: {words} swings ({short['place']})")
    return lines


def _judged(factor: float) -> str:
    """Return a factor on yield with what it means."""
    if factor < 1.0:
        return f"factor {factor:.2f} on yield: it yields!"
    return f"factor {factor:.2f} on yield" + ("" if factor >= LOW_FACTOR else ", low")


_REMARKS: Final = {
    "strange ratio": (
        "{ratio} of the computed rate is more than the tolerances of sheet and readings explain; find the "
        "reason before the test is used (material, wall and levers as in the sheet? loads in kg or N?)"
    ),
    "twice": (
        "about twice as stiff: were both eyes free to move apart? One is to be held, and the deflection read "
        "at the other"
    ),
    "half": "about half as stiff: did the eye that should be held give way, or was the rate halved already?",
    "other setting": "the measured rate is that of {settings}: did the links stand there?",
    "slack": (
        "reading {readings} lies {millimetres} mm off the line of the others: the first load takes play in; "
        "hang a small load on first and count from there"
    ),
    "scatter": (
        "the readings scatter, the rate is known to {percent} % only: friction or play in the stand, a slip "
        "of the pen; read again, loading and unloading"
    ),
    "repeated": "readings {readings} have the same load ({newtons} N): written down twice?",
    "out of step": (
        "between readings {readings} the deflection goes the other way than the load: a slip of the pen?"
    ),
}
"""What makes a mistake in a bench test likely, kind by kind of `BenchRemark`."""


def _bench_lines(bench: dict[str, Any]) -> list[str]:
    """Return what the bench test gives, whether it is used, and what makes a mistake in it likely."""
    used = (
        "used: the ratio is carried over to every setting and part below, with an error that grows with the "
        "difference from the bar tested"
        if bench["used"]
        else "not used (bench.use = true would)"
    )
    where = "" if bench["hole"] is None else f" at hole {bench['hole']}, {spacers(bench['spacers'])}"
    lines = [
        f"bench test{where}: {_value(bench['measured'], 1e-3)} N/mm, computed "
        f"{_value(bench['computed'], 1e-3)} N/mm, ratio {_value(bench['ratio'])}; {used}"
    ]
    return lines + [f"! bench test: {_bench_remark(remark)}" for remark in bench["remarks"]]


def _bench_remark(remark: dict[str, Any]) -> str:
    value = 0.0 if remark["value"] is None else float(remark["value"])
    return _REMARKS[remark["kind"]].format(
        ratio=f"{value:.2f}",
        percent=f"{100.0 * value:.0f}",
        millimetres=f"{1000.0 * value:.2g}",
        newtons=f"{value:.0f}",
        readings=" and ".join(str(number) for number in remark["readings"]),
        settings=" or ".join(f"hole {hole}, {spacers(number)}" for hole, number in remark["settings"]),
    )


def _car_lines(part: dict[str, Any]) -> list[str]:
    """Return what the fitted setting does to travel, inside load and spring."""
    lines = []
    for item in part["travel_use"]:
        where = "level" if item["bank_deg"] == 0.0 else f"{item['bank_deg']:g} deg bank"
        # Travel left is told only against a bump stop that somebody measured.
        gap = item["gap_mm"]
        left = "" if gap is None else f", {_value(item['margin'])} of {gap:.0f} mm to the stop remain"
        lines.append(
            f"outer damper at {item['lateral_g']:g} g, {where}: heave {_value(item['heave'])} mm, "
            f"roll {_value(item['roll'])} mm{left}"
        )
    further = part["further"]
    inside, lift = _value(further["inside_load"]), _value(further["lift_off"])
    lines.append(f"inside wheel at 1 g: {inside} N, lifts at {lift} g (straight line)")
    spring = _value(further["replacement_spring"])
    lines.append(f"spring that rolls alike without the bar: {spring} N/mm")
    return lines


def _motion_line(motion: dict[str, Any], travel: dict[str, float]) -> str:
    low, high = motion["lever_angle_deg"]
    change = motion["rate_change_percent"]
    shown = "there not defined" if change is None else f"{_signed(change, 1)} % at full opposite travel"
    droop, bump = travel["droop"] * 1000.0, travel["bump"] * 1000.0
    least, tilt = motion["least_link_angle_deg"], motion["rod_end_misalignment_deg"]
    return (
        f"motion over {droop:.0f} mm droop to {bump:.0f} mm bump of the wheel: lever {_signed(low)} to "
        f"{_signed(high)} deg, link and lever at least {least:.0f} deg apart (0: in line, over centre next), "
        f"rod ends {tilt:.0f} deg, rate {shown}"
    )


def _what_if_table(title: str, items: list[dict[str, Any]]) -> Table:
    table = plain_table((title, "rate N/mm", "change", "tube kg"), 1)
    for item in items:
        mass = UNKNOWN if item["mass_kg"] is None else f"{item['mass_kg']:.2f}"
        table.add_row(item["change"], _value(item["rate"], 1e-3), signed_percent(item["ratio_percent"]), mass)
    return table


def _value(entry: dict[str, Any], factor: float = 1.0) -> str:
    # The standard error alone: no part of a prediction is an error common to several runs.
    value, error = times(entry["value"], factor), times(entry["std_error"], factor)
    shown = format_estimate(Estimate(value, "", error, notes=tuple(entry["notes"])))
    return true_minus(shown) + _star(entry)


def _signed(value: float, places: int = 0) -> str:
    return true_minus(f"{value:+z.{places}f}")


def _star(entry: dict[str, Any]) -> str:
    return STAR.strip() if entry.get("provisional") else ""


def _number(value: float | None, factor: float = 1.0) -> str:
    return "" if value is None else f"{value * factor:.6g}"


# One figure per bar: rates of all settings, where it gives way, other parts, rate over travel.


ROW: Final = 0.17
"""Height of one row of a list [in]."""

GAP: Final = 0.75
"""Room between panels for axis and title [in]."""

TUBES: Final = 2.6
"""Height of the net of tubes [in]."""

SMALLEST_SHARE: Final = 5e-4
"""Parts of the compliance below this are not drawn."""


def bar_svg(part: dict[str, Any], title: str) -> str:
    """Return the figure of one axle's bar, a `part` of `bar_json` in plain data, as SVG text."""
    fitted = next(row for row in part["settings"] if row["fitted"])
    shares = _shares(fitted["compliance"])
    # Three lists as high as their rows need, the tubes where stress is judged, and a curve. Sizes in inches,
    # so that a list of two settings has the same letters as one of twelve.
    lists = [len(part["settings"]), len(shares), len(part["what_if"]) + len(part["solid_or_tube"]) - 1]
    tubes = [item for item in part["tubes"] if item["stress_factor"] is not None]
    heights = [max(count * ROW, 0.4) for count in lists] + ([TUBES] if tubes else []) + [1.4]
    total = sum(heights) + GAP * (len(heights) + 0.8)
    with style.house_style():
        figure = style.new_figure(total)
        figure.suptitle(title, x=0.02, y=1.0 - 0.12 / total, ha="left", va="top")
        panels = []
        top = total - GAP
        for place, height in enumerate(heights):
            # The net of tubes has no names on its left.
            left = 0.12 if tubes and place == len(lists) else 0.41
            panels.append(figure.add_axes((left, (top - height) / total, 0.96 - left, height / total)))
            top -= height + GAP
        _draw_ladder(panels[0], part["settings"])
        _draw_shares(panels[1], shares, fitted["setting"])
        # The first of "solid or tube" is the fitted bar itself: no change to draw.
        _draw_changes(panels[2], part["what_if"] + part["solid_or_tube"][1:])
        if tubes:
            _draw_tubes(panels[3], tubes)
        _draw_travel(panels[-1], part["rate_over_travel"])
        return style.svg_text(figure)


def _shares(compliance: dict[str, float]) -> list[tuple[str, float]]:
    total = sum(compliance.values())
    # Places that hardly give way would crowd out the others; they stand in bar.json.
    shares = [(name, 100.0 * value / total) for name, value in compliance.items()]
    return sorted((s for s in shares if abs(s[1]) > 100.0 * SMALLEST_SHARE), key=lambda s: s[1])


def _rows(axes: Axes, names: list[str]) -> None:
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(-0.7, len(names) - 0.3)
    axes.tick_params(axis="y", length=0)
    axes.grid(True, axis="x")


def _draw_ladder(axes: Axes, rows: list[dict[str, Any]]) -> None:
    for place, row in enumerate(rows):
        rate = row["rate"]
        # The fitted setting by colour and marker, so that it shows in black and white.
        look = style.VERMILION if row["fitted"] else style.BLUE
        marker = "D" if row["fitted"] else "o"
        low, high = rate["interval"]
        axes.plot([low / 1000.0, high / 1000.0], [place, place], color=look, linewidth=1.0)
        axes.plot([rate["value"] / 1000.0], [place], marker=marker, color=look, linestyle="none")
    _rows(axes, [row["setting"] + (" (fitted)" if row["fitted"] else "") for row in rows])
    axes.set_title("Rate of every setting, with 95 % interval")
    axes.set_xlabel("rate at one link [N/mm]")


def _draw_shares(axes: Axes, shares: list[tuple[str, float]], setting: str) -> None:
    names = [name for name, _ in shares]
    axes.barh(range(len(shares)), [value for _, value in shares], color=style.BLUE, height=0.6)
    for place, (_, value) in enumerate(shares):
        axes.text(max(value, 0.0) + 1.0, place, f"{value:.1f}", va="center", color=style.GREY, fontsize=7.5)
    _rows(axes, names)
    # Room for the figure behind a bar that takes up all.
    axes.set_xlim(min(0.0, *(value for _, value in shares)), 112.0)
    axes.set_title(f"Where it gives way: {setting}")
    axes.set_xlabel("part of the compliance [%]")


def _draw_changes(axes: Axes, items: list[dict[str, Any]]) -> None:
    changes = [item["ratio_percent"]["value"] for item in items]
    colours = [style.BLUE if change >= 0.0 else style.ORANGE for change in changes]
    axes.barh(range(len(items)), changes, color=colours, height=0.6)
    axes.axvline(0.0, color=style.BLACK, linewidth=0.6)
    _rows(axes, [item["change"] for item in items])
    axes.set_title("What another part would do")
    axes.set_xlabel("change of rate [%]")


def _draw_tubes(axes: Axes, tubes: list[dict[str, Any]]) -> None:
    """Draw a net of equal diameters and equal walls: what a tube of each size would be and stand."""
    # A line per diameter and one per wall: along them a builder sees what the other size costs in stress.
    present, net = tubes[0], [item for item in tubes if item["kind"] != "shelf"]
    for key, look, width in (("wall_m", style.PALE, 0.7), ("diameter_m", style.BLUE, 1.0)):
        for value in dict.fromkeys(item[key] for item in net):
            line = sorted((item for item in net if item[key] == value), key=lambda item: item["rate_n_per_m"])
            x, y = zip(*map(_place, line), strict=True)
            axes.plot(x, y, color=look, linewidth=width, marker="o", markersize=2.5, zorder=1)
            if key == "diameter_m":
                style.note_at(
                    axes, f"{1000.0 * value:.1f} mm", (x[0], y[0]), (-5.0, 0.0), ha="right", **_NOTE
                )
    # By name: what is on the shelf, and the present diameter's next walls.
    like = sorted((i for i in net if i["diameter_m"] == present["diameter_m"]), key=_thickness)
    thin = [item for item in like if _thickness(item) < 0.98 * _thickness(present)]
    thick = [item for item in like if _thickness(item) > 1.02 * _thickness(present)]
    for item, offset in (*((i, (-3.0, -10.0)) for i in thin[-1:]), *((i, (9.0, -1.0)) for i in thick[:1])):
        side = "right" if offset[0] < 0.0 else "left"
        style.note_at(axes, _wall_words(item), _place(item), offset, ha=side, **_NOTE)
    for item in tubes:
        if item["kind"] == "shelf":
            axes.plot(*_place(item), "s", color=style.GREEN, zorder=3)
            words = f"shelf {1000.0 * item['diameter_m']:.1f} mm, {_wall_words(item)}"
            style.note_at(axes, words, _place(item), (6.0, 3.0), **_NOTE)
    axes.plot(*_place(present), "D", color=style.VERMILION, zorder=3)
    style.note_at(axes, "present", _place(present), (9.0, 7.0), **_NOTE)
    # On a line without a number nobody sees where yielding begins.
    for limit, below, dashes in ((1.0, "yields below", "-"), (LOW_FACTOR, "low below", "--")):
        axes.axhline(limit, color=style.GREY, linewidth=0.8, linestyle=dashes, zorder=0)
        axes.text(
            0.995, limit, below, transform=axes.get_yaxis_transform(), ha="right", **_NOTE | {"va": "bottom"}
        )
    axes.margins(x=0.16, y=0.1)
    axes.set_title("Which tube? One diameter per line, one wall per dot")
    axes.set_xlabel("rate at one link, fitted setting [N/mm]")
    axes.set_ylabel("stress factor")


_NOTE: Final[dict[str, Any]] = {"fontsize": 7.5, "va": "center", "color": style.INK}


def _place(item: dict[str, Any]) -> tuple[float, float]:
    return float(item["rate_n_per_m"]) / 1000.0, float(item["stress_factor"])


def _thickness(item: dict[str, Any]) -> float:
    return float(item["diameter_m"] / 2.0 if item["wall_m"] is None else item["wall_m"])


def _wall_words(item: dict[str, Any]) -> str:
    return "solid" if item["wall_m"] is None else f"wall {1000.0 * item['wall_m']:.2f} mm"


def _draw_travel(axes: Axes, curve: dict[str, list[float]]) -> None:
    travel = [1000.0 * value for value in curve["wheel_travel_m"]]
    axes.plot(travel, [value / 1000.0 for value in curve["rate_n_per_m"]], color=style.BLUE)
    axes.grid(True)
    # A rate that hardly changes shall look flat: more air above and below than the usual twentieth.
    axes.margins(y=0.3)
    axes.set_title("Rate over opposite wheel travel")
    axes.set_xlabel("wheel travel, one up and one down [mm]")
    axes.set_ylabel("N/mm")
