"""Tables of docs/bars.md that come from the program: ``python tests/docs/bars_page.py``."""

from __future__ import annotations

from analyzer.sheets.bar import MATERIALS
from analyzer.vehicle.completion import DEFAULT_TOLERANCES


def tolerance_table() -> str:
    """Return the default tolerances as a Markdown table."""
    lines = ["| quantity | taken | reason |", "| --- | --- | --- |"]
    lines += [f"| {item.quantity} | {item.words} | {item.reason} |" for item in DEFAULT_TOLERANCES]
    return "\n".join(lines) + "\n"


def material_table() -> str:
    """Return the materials as a Markdown table."""
    head = "| material | E, GPa | G, GPa | yield / tensile, MPa | condition | source | beside a weld, MPa |"
    lines = [head, "| --- " * 7 + "|"]
    for m in MATERIALS.values():
        stiffness = f"{m.elastic_modulus / 1e9:g} | {m.shear_modulus / 1e9:g}"
        strength = f"{m.yield_strength / 1e6:g} / {m.tensile_strength / 1e6:g}"
        weld = "" if m.welded_strength is None else f"{m.welded_strength / 1e6:g}: "
        lines.append(f"| {m.name} | {stiffness} | {strength} | {m.condition} | {m.source} | {weld}{m.weld} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(tolerance_table())
    print(material_table())
