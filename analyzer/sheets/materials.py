"""Materials a builder makes bars of: stiffness and strength, each with its source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Material:
    """Typical values of one material; a sheet can state its own.

    Parameters
    ----------
    name : str
        As written in the sheet.
    elastic_modulus, shear_modulus : float
        E and G [Pa].
    yield_strength, tensile_strength : float
        Least yield and tensile strength of the condition named [Pa].
    density : float
        [kg/m3].
    condition : str
        Heat treatment the strengths hold for.
    source : str
        Where the values come from.
    """

    name: str
    elastic_modulus: float
    shear_modulus: float
    yield_strength: float
    tensile_strength: float
    density: float
    condition: str
    source: str


MATERIALS: Final[dict[str, Material]] = {
    m.name: m
    for m in (
        Material(
            "4130",
            200e9,
            75.8e9,
            483e6,
            621e6,
            7850.0,
            "normalized, over 4.7 mm; thinner walls reach 517/655 MPa",
            "E, G: MIL-HDBK-5J ch. 2.3 (from memory); strengths: 4130 sheet and tube data, 70/90 ksi least",
        ),
        Material(
            "spring steel",
            206e9,
            79.5e9,
            900e6,
            1100e6,
            7850.0,
            "51CrV4 quenched and tempered, up to 16 mm",
            "strengths: supplier data sheet of 51CrV4 (1.8159); E, G: 205-210 and 79-80 GPa (from memory)",
        ),
        Material(
            "5160",
            200e9,
            80e9,
            1531e6,
            1669e6,
            7850.0,
            "quenched and tempered, 430 HB",
            "Shigley, Mechanical Engineering Design, Table A-23 (from memory)",
        ),
        Material(
            "4340",
            205e9,
            80e9,
            1103e6,
            1172e6,
            7850.0,
            "aircraft quality",
            "strengths: Dowling, Mechanical Behavior of Materials, Table 9.1; E, G from memory",
        ),
        Material(
            "steel",
            207e9,
            79.3e9,
            235e6,
            360e6,
            7850.0,
            "mild steel S235; the least one should count on when the grade is unknown",
            "E, G: Shigley Table A-5 (from memory); strengths: EN 10025-2 S235 (from memory)",
        ),
        Material(
            "bolt 8.8",
            207e9,
            79.3e9,
            640e6,
            800e6,
            7850.0,
            "property class 8.8",
            "ISO 898-1: the class digits give 800 MPa and 80 % of it",
        ),
        Material(
            "bolt 10.9",
            207e9,
            79.3e9,
            940e6,
            1040e6,
            7850.0,
            "property class 10.9",
            "ISO 898-1 (tensile read; yield from memory)",
        ),
        Material(
            "bolt 12.9",
            207e9,
            79.3e9,
            1100e6,
            1220e6,
            7850.0,
            "property class 12.9",
            "ISO 898-1 (tensile read; yield from memory)",
        ),
        Material(
            "6061-T6",
            68.9e9,
            26e9,
            276e6,
            310e6,
            2700.0,
            "T6, parent metal; welding takes about half of it away",
            "two public data pages that agree within 2 %",
        ),
        Material(
            "7075-T6", 71.7e9, 26.9e9, 503e6, 572e6, 2810.0, "T6; not weldable", "two public data pages"
        ),
    )
}
"""Known materials by the name a sheet uses."""


def find_material(name: str) -> Material | None:
    """Return the material of that `name` (case and surrounding spaces do not matter), None when unknown."""
    wanted = " ".join(name.split()).casefold()
    return next((m for key, m in MATERIALS.items() if key.casefold() == wanted), None)
