"""The anti-roll bar part of a car sheet, as the builder measures it, and what bars are made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from analyzer.core.units import Uncertain
from analyzer.sheets.fields import BladeTurn, Columns, Length, Sheet, quantity
from analyzer.sheets.session import BarSetting

Metal = Literal["steel", "aluminium"]


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
    metal : Metal
        Sets the fatigue class, and what it can be welded to.
    welded_strength : float or None
        Yield strength to count next to a weld that no heat treatment follows [Pa]: the weld's heat takes
        that of the material away. None for what is not to be welded.
    weld : str
        Where that comes from.
    crack_prone : bool
        Whether it tends to crack beside a weld without preheat and slow cooling.
    """

    name: str
    elastic_modulus: float
    shear_modulus: float
    yield_strength: float
    tensile_strength: float
    density: float
    condition: str
    source: str
    metal: Metal
    welded_strength: float | None
    weld: str
    crack_prone: bool = False


# Read for the table: 4130 annealed asm.matweb.com (M4130A) and makeitfrom.com; 6150 annealed azom.com (6744),
# makeitfrom.com; 5160 azom.com (6743); moduli of steel academics.triton.edu (strengthofmaterials.html) and
# Gere, Mechanics of Materials, 5th ed.; 206 GPa tokaibane.com (topic 1569); S235JR readle.co.uk (EN 10025-2,
# table 7); bolts bbshalmstad.se (ISO 898-1). The strengths of 5160 are Shigley's Table A-23, from memory.
MATERIALS: Final = {
    m.name: m
    for m in (
        Material("4130", 200e9, 75.8e9, 483e6, 621e6, 7850.0,
            "normalized, over 4.7 mm; thinner walls reach 517/655 MPa",
            "E, G: 29,000 and 11,000 ksi, public tables of steel; strengths: 4130 sheet and tube data, "
            "70/90 ksi least",
            "steel", 360e6,
            "engineering judgement, below the 460 of annealed 4130 bar in two public data pages"),
        Material("spring steel", 206e9, 79.5e9, 900e6, 1100e6, 7850.0,
            "51CrV4 quenched and tempered, up to 16 mm",
            "strengths: supplier data sheet of 51CrV4 (1.8159); E: 206 GPa, a spring maker's page; "
            "G: 75-80 GPa, public tables of steel",
            "steel", 412e6,
            "annealed 6150 bar (public data pages: 415, 420); cracks easily (data sheet of 51CrV4)", True),
        Material("5160", 200e9, 80e9, 1531e6, 1669e6, 7850.0,
            "quenched and tempered, 430 HB",
            "as tabulated in Shigley, Mechanical Engineering Design; E, G: a public data page",
            "steel", 275e6, "annealed 5160 bar (public data page); cracks easily (carbon 0.6 %)", True),
        Material("4340", 205e9, 80e9, 1103e6, 1172e6, 7850.0,
            "aircraft quality",
            "strengths: Dowling, Mechanical Behavior of Materials, Table 9.1; E, G: a public data page",
            "steel", 470e6,
            "annealed 4340 bar (public data page); cracks easily (engineering judgement)", True),
        Material("steel", 207e9, 79.3e9, 235e6, 360e6, 7850.0,
            "mild steel S235; the least one should count on when the grade is unknown",
            "E, G: public tables of steel, 207 and 80 GPa; strengths: S235JR, EN 10025-2 table 7",
            "steel", 235e6, "as rolled: no heat treatment to lose, with a matching filler"),
        Material("bolt 8.8", 207e9, 79.3e9, 640e6, 800e6, 7850.0,
            "property class 8.8",
            "ISO 898-1: the class digits give 800 MPa and 80 % of it",
            "steel", None, "not to be welded"),
        Material("bolt 10.9", 207e9, 79.3e9, 940e6, 1040e6, 7850.0,
            "property class 10.9",
            "ISO 898-1, least values as a fastener maker's page gives them",
            "steel", None, "not to be welded"),
        Material("bolt 12.9", 207e9, 79.3e9, 1100e6, 1220e6, 7850.0,
            "property class 12.9",
            "ISO 898-1, least values as a fastener maker's page gives them",
            "steel", None, "not to be welded"),
        Material("6061-T6", 68.9e9, 26e9, 276e6, 310e6, 2700.0,
            "T6, parent metal; welding takes more than half of it away",
            "two public data pages that agree within 2 %",
            "aluminium", 115e6, "heat-affected zone of 6061-T6, EN 1999-1-1 Table 3.2b"),
        Material("7075-T6", 71.7e9, 26.9e9, 503e6, 572e6, 2810.0,
            "T6; not weldable",
            "two public data pages",
            "aluminium", None,
            "counted as not weldable by arc (a filler maker's advice; not among the alloys of AWS D1.2)"),
    )
}  # fmt: skip
"""Known materials by the name a sheet uses."""


def find_material(name: str) -> Material | None:
    """Return the material of that `name` (case and surrounding spaces do not matter), None when unknown."""
    wanted = " ".join(name.split()).casefold()
    return next((m for key, m in MATERIALS.items() if key.casefold() == wanted), None)


# The limits below are wide on purpose, as those of `fields`: they catch a wrong unit, not an unusual bar.
Diameter = Annotated[Uncertain, quantity("length", 0.0, 0.3, example="28 mm")]
Wall = Annotated[Uncertain, quantity("length", 0.0, 0.15, example="2.5 mm")]
AcrossLength = Annotated[Uncertain, quantity("length", 0.0, 5.0, example="0.87 m")]
EndLength = Annotated[Uncertain, quantity("length", 0.0, 5.0, example="60 mm")]
MountSpacing = Annotated[Uncertain, quantity("length", 0.0, 5.0, example="0.75 m")]
PartRate = Annotated[Uncertain, quantity("stiffness", 1e4, example="20 kN/mm")]
BladeDepth = Annotated[Uncertain, quantity("length", 0.0, 0.5, example="36 mm")]
BladeThickness = Annotated[Uncertain, quantity("length", 0.0, 0.2, example="7 mm")]
BladeLength = Annotated[Uncertain, quantity("length", 0.0, 2.0, example="250 mm")]
BladeRoot = Annotated[Uncertain, quantity("length", 0.0, 1.0, low_allowed=True, example="20 mm")]
Lever = Annotated[Uncertain, quantity("length", 0.0, 2.0, example="216 mm")]
SpacerThickness = Annotated[Uncertain, quantity("length", 0.0, 0.1, example="6 mm")]
Offset = Annotated[Uncertain, quantity("length", 0.0, 0.2, low_allowed=True, example="10 mm")]
BoltDiameter = Annotated[Uncertain, quantity("length", 0.0, 0.1, example="10 mm")]
ThreadPitch = Annotated[Uncertain, quantity("length", 0.0, 0.02, example="1.5 mm")]
LinkLength = Annotated[Uncertain, quantity("length", 0.0, 2.0, example="140 mm")]
LinkDifference = Annotated[Uncertain, quantity("length", -0.5, 0.5, example="2 mm")]
BendRadius = Annotated[Uncertain, quantity("length", 0.0, 2.0, low_allowed=True, example="40 mm")]
Place = Annotated[Uncertain, quantity("length", -20.0, 20.0, example="330 mm")]
Deflection = Annotated[Uncertain, quantity("length", -1.0, 1.0, example="1.8 mm")]
Resolution = Annotated[Uncertain, quantity("length", 0.0, 0.01, example="0.01 mm")]
BarRatio = Annotated[Uncertain, quantity("number", 0.0, 10.0, example="0.58 ± 0.01")]
HeldRate = Annotated[Uncertain, quantity("stiffness", 100.0, example="55 N/mm ± 1 N/mm")]
ElasticModulus = Annotated[Uncertain, quantity("stress", 1e8, example="206 GPa")]
ShearModulus = Annotated[Uncertain, quantity("stress", 1e7, example="79 GPa")]
YieldStrength = Annotated[Uncertain, quantity("stress", 1e6, example="650 MPa")]
RodEndLimit = Annotated[Uncertain, quantity("angle", 0.0, math.pi / 2.0, example="14 deg")]
LinkAngle = Annotated[Uncertain, quantity("angle", -1.2, 1.2, example="5 deg")]
Load = Annotated[Uncertain, quantity("weight", 0.0, 50000.0, low_allowed=True)]

Corner = Annotated[tuple[Length, Length], Columns(("across the blade", "in its depth"))]

MODULI: Final[dict[Metal, tuple[float, float]]] = {"steel": (180e9, 220e9), "aluminium": (65e9, 80e9)}
"""Range of E by which a material that is not in the table is told [Pa]."""

SMALLEST_TIP = 0.2
"""A blade that tapers below this part of its root section is refused: it would break at the hole."""


class MadeOf(Sheet):
    """A part with a material; the table's values hold unless the sheet states its own."""

    material: str
    """A name from the table of materials in bars.md, or any other with both moduli given."""
    elastic_modulus: ElasticModulus | None = None
    """Young's modulus E; from the table when not given."""
    shear_modulus: ShearModulus | None = None
    """Shear modulus G; from the table when not given."""
    yield_strength: YieldStrength | None = None
    """Yield strength, for the stress factor; from the table when not given."""

    @model_validator(mode="after")
    def _known_material(self) -> MadeOf:
        stated = self.elastic_modulus is not None and self.shear_modulus is not None
        if not stated and find_material(self.material) is None:
            raise PydanticCustomError(
                "material",
                "material {name} is not in the table; use one of {known}, or state elastic_modulus and "
                "shear_modulus beside it",
                {"name": f'"{self.material}"', "known": ", ".join(MATERIALS)},
            )
        return self


class RoundEnd(Sheet):
    """A piece of another section at each end of the tube; solid when no wall is given."""

    length: EndLength
    """Length of the piece at one end."""
    outside_diameter: Diameter
    """Outside diameter of the end pieces."""
    wall: Wall | None = None
    """Wall of the end pieces; solid when not given."""

    @model_validator(mode="after")
    def _wall_fits(self) -> RoundEnd:
        _check_wall(self.wall, self.outside_diameter)
        return self


class Tube(MadeOf):
    """The torsion member across the car; solid when no wall is given."""

    material: str = "4130"
    outside_diameter: Diameter
    """Outside diameter of the tube between the blades."""
    wall: Wall | None = None
    """Wall of the tube; solid when not given."""
    length: AcrossLength
    """Between the centre lines of the two blades."""
    ends: RoundEnd | None = None
    """End pieces of a stepped tube, both alike."""

    @model_validator(mode="after")
    def _possible(self) -> Tube:
        _check_wall(self.wall, self.outside_diameter)
        if self.ends is not None and 2.0 * self.ends.length.value > self.length.value:
            raise PydanticCustomError(
                "ends", "ends.length is more than half of tube.length; shorten the ends"
            )
        return self


class Mounts(Sheet):
    """The two bearings that carry the tube."""

    spacing: MountSpacing
    """Distance between the middles of the two bearings."""
    rate: PartRate | None = None
    """Radial rate of one mount; rigid when not given."""


class Blade(MadeOf):
    """The lever at each end of the tube; a rectangle unless it has an outline."""

    material: str = "spring steel"
    depth: BladeDepth
    """Side of the section in the direction of the link force, at the tube's axis."""
    thickness: BladeThickness
    """Side of the section along the tube, at the tube's axis."""
    tip_depth: BladeDepth | None = None
    """Depth at the blade's end (`length`), where the depth tapers."""
    tip_thickness: BladeThickness | None = None
    """Thickness at the blade's end (`length`), where the thickness tapers."""
    length: BladeLength | None = None
    """From the tube's axis to the blade's end; needed for a taper."""
    root: BladeRoot | None = None
    """From the tube's axis to where the blade is free to bend (edge of clamp or weld); estimated from `seat`
    when not given."""
    seat: Literal["face", "through", "socket"] | None = None
    """How the blade sits on the tube. "face": the tube's end on the blade's face or, of a flat blade, the
    blade's end on the tube's side; "through": the tube passed through the blade, or a flat blade through the
    tube; "socket": the blade's end held in a block or clamp. When not given, any of them is possible and
    the error is wide."""
    outline: Annotated[list[Corner], Field(min_length=3, max_length=200)] | None = None
    """Section other than a rectangle: its corners in order, each as ["across the blade", "in its depth"];
    from side to side it measures `thickness` by `depth`."""
    turn: BladeTurn | None = None
    """Angle of the blade about its own length: 0 edge to the load (stiff), 90 deg flat to the load (soft);
    positive when its upper edge turns outboard."""
    joint: Literal["welded", "machined"] = "welded"
    """How blade and tube are joined; sets the fatigue class and the strength there."""
    weld_strength: YieldStrength | None = None
    """Yield strength next to the weld, of tube and blade alike: of a test piece, or what heat treatment after
    welding gives; that of the annealed material when not given."""

    @model_validator(mode="after")
    def _possible(self) -> Blade:
        for key, tip, root in (
            ("tip_depth", self.tip_depth, self.depth),
            ("tip_thickness", self.tip_thickness, self.thickness),
        ):
            if tip is None:
                continue
            if self.length is None:
                raise PydanticCustomError(
                    "taper", f"{key} needs length; add the blade's length from the tube"
                )
            if tip.value < SMALLEST_TIP * root.value:
                raise PydanticCustomError(
                    "taper", f"{key} is below a fifth of the root section; make the tip larger"
                )
        self._outline_fits()
        if self.joint == "machined" and self.weld_strength is not None:
            raise PydanticCustomError(
                "weld", 'weld_strength goes with joint = "welded"; remove it where the joint is machined'
            )
        if self.joint == "welded":
            _check_weldable("material", self)
        return self

    def _outline_fits(self) -> None:
        """Refuse an outline whose box is not thickness by depth, or that has errors of its own."""
        if self.outline is None:
            return
        if any(place.std for corner in self.outline for place in corner):
            raise PydanticCustomError(
                "outline",
                "outline states a tolerance of a corner; write it behind thickness and depth, which set its "
                "size, and the corners without",
            )
        for key, size, column in (("thickness", self.thickness, 0), ("depth", self.depth, 1)):
            places = [corner[column].value for corner in self.outline]
            if abs(max(places) - min(places) - size.value) > 0.01 * size.value:
                raise PydanticCustomError(
                    "outline", f"outline does not measure {key} from side to side; make both agree"
                )


def weld_problem(tube: Tube, blade: Blade) -> str | None:
    """Return why a blade cannot be welded to a tube, as "problem; remedy"; None where it can or is not."""
    if blade.joint != "welded":
        return None
    metals = [metal_of(part) for part in (tube, blade)]
    if None not in metals and metals[0] != metals[1]:
        return (
            f"tube of {tube.material} ({metals[0]}) and blade of {blade.material} ({metals[1]}) cannot be "
            'welded to each other; choose one metal, or write blade.joint = "machined" where it is held '
            "otherwise"
        )
    return _not_weldable("tube.material", tube)


def metal_of(part: MadeOf) -> Metal | None:
    """Return the metal a part is made of, by the table or by its own E; None where neither tells."""
    material = find_material(part.material)
    if material is not None:
        return material.metal
    stiff = 0.0 if part.elastic_modulus is None else part.elastic_modulus.value
    return next((metal for metal, (low, high) in MODULI.items() if low < stiff < high), None)


def _not_weldable(key: str, part: MadeOf) -> str | None:
    material = find_material(part.material)
    if material is None or material.welded_strength is not None:
        return None
    return (
        f'{key} {material.name} cannot be welded; choose another material, or write blade.joint = "machined" '
        "where it is held otherwise"
    )


def _check_weldable(key: str, part: MadeOf) -> None:
    problem = _not_weldable(key, part)
    if problem is not None:
        raise PydanticCustomError("weld", "{problem}", {"problem": problem})


class Spacer(Sheet):
    """Spacers between blade and rod end; each moves the link sideways by its thickness."""

    thickness: SpacerThickness
    """Thickness of one spacer."""
    side: Literal["outboard", "inboard"] = "outboard"
    """Side of the blade on which spacers and rod end sit."""
    most: Annotated[int, Field(ge=0, le=20)] = 0
    """How many there is room for per side; every number up to this is computed."""


class Bolt(MadeOf):
    """The bolt that carries the rod end on the blade."""

    diameter: BoltDiameter
    """Nominal diameter of the bolt."""
    pitch: ThreadPitch | None = None
    """Pitch of the thread, where the bolt bends in its thread; a plain shank when not given."""
    material: str = "bolt 8.8"

    @model_validator(mode="after")
    def _pitch_fits(self) -> Bolt:
        if self.pitch is not None and self.pitch.value > 0.3 * self.diameter.value:
            raise PydanticCustomError(
                "pitch", 'pitch is no thread of that diameter; write for instance "1.5 mm" for 10 mm'
            )
        return self


class Link(Sheet):
    """The link between bar and suspension."""

    rate: PartRate | None = None
    """Axial rate of one link with its two rod ends; rigid when not given."""
    length: LinkLength | None = None
    """Between the centres of its two rod ends; needed for its motion."""
    angle: LinkAngle | None = None
    """Side view, at static ride height: from the perpendicular to the lever; of a formed bar from the
    vertical of the axes in which its points are given. Positive when the lower end is nearer to the bar's
    axis than at 0."""
    lean: LinkAngle | None = None
    """Front view, at static ride height: 0 when the link lies in the blade's plane; positive when its lower
    end is further outboard than its upper one."""
    rod_end_limit: RodEndLimit | None = None
    """Greatest misalignment that the rod ends allow to each side; 12 deg when not given."""
    lower_bolt: Literal["along tube", "along car"] = "along tube"
    """Direction of the lower rod end's bolt."""
    left_longer: LinkDifference | None = None
    """By how much the left link is longer than the right one; negative when shorter."""


class BenchTest(Sheet):
    """Loads applied at one link eye while the other one is held, and the deflections read there."""

    loads: Annotated[list[Load], Field(max_length=100, default_factory=list)]
    """Three loads or more."""
    deflections: Annotated[list[Deflection], Field(max_length=100, default_factory=list)]
    """Deflection at each of the loads, at the loaded eye."""
    rate: HeldRate | None = None
    """In place of loads and deflections: load per deflection, the other eye held."""
    resolution: Resolution | None = None
    """Smallest step of the deflection readings; 0.1 mm when not given."""
    hole: Annotated[int, Field(ge=1)] = 1
    """Hole in which both links were fitted during the test; a bent bar has none."""
    spacers: Annotated[int, Field(ge=0)] = 0
    """Number of spacers per side during the test."""
    use: bool = False
    """True: measured / computed scales the rate of every setting and of every other tube, wall or blade, with
    an error that grows with the difference from the bar tested."""

    @model_validator(mode="after")
    def _readings(self) -> BenchTest:
        load, way = [a.value for a in self.loads], [a.value for a in self.deflections]
        if self.rate is not None and (load or way):
            raise PydanticCustomError("bench", "write either bench.rate or loads and deflections; not both")
        if self.rate is not None:
            return self
        if len(load) != len(way) or len(load) < 3:
            raise PydanticCustomError(
                "bench",
                "loads and deflections must be lists of the same length; write three or more readings",
            )
        # The product of both centred columns has the sign of the slope: readings written down with the wrong
        # sign would give a bar of negative rate.
        middle = sum(load) / len(load)
        if sum((a - middle) * b for a, b in zip(load, way, strict=True)) <= 0.0:
            raise PydanticCustomError(
                "bench", "deflection does not grow with load; check the readings and their signs"
            )
        return self


class BladedBar(Sheet):
    """A tube with a blade at each end."""

    kind: Literal["bladed"]
    """Says that this bar has blades."""
    motion_ratio: BarRatio
    """Link travel at the bar / wheel travel."""
    tube: Tube
    """The tube across the car."""
    mounts: Mounts
    """Its two bearings."""
    blade: Blade
    """One blade; both are alike."""
    holes: Annotated[list[Lever], Field(min_length=1, max_length=20)]
    """Lever arm of each hole, from the tube's axis; hole 1 is the outermost, the softest."""
    spacer: Spacer | None = None
    """The spacers that are at hand; no spacers when not given."""
    bolt: Bolt | None = None
    """The bolt through blade and rod end; rigid when not given."""
    link: Link | None = None
    """The two links; rigid, and their motion is not computed, when not given."""
    base_offset: Offset | None = None
    """Distance of the rod end from the blade's centre plane without any spacer."""
    fitted: BarSetting | None = None
    """The setting that is on the car now; changes are counted from it where no session is given."""
    bench: BenchTest | None = None
    """A measurement of this bar's rate, to compare with the computed one."""

    @model_validator(mode="after")
    def _possible(self) -> BladedBar:
        levers = [hole.value for hole in self.holes]
        if levers != sorted(levers, reverse=True):
            raise PydanticCustomError(
                "holes", "holes must run from the outermost inwards; list the longest lever first"
            )
        if self.mounts.spacing.value > self.tube.length.value:
            raise PydanticCustomError(
                "mounts", "mounts.spacing is longer than tube.length; the mounts would sit outside the tube"
            )
        if self.blade.length is not None and levers[0] > self.blade.length.value:
            raise PydanticCustomError("holes", "holes[1] lies beyond blade.length; move it onto the blade")
        # The innermost hole must clear whatever is widest there: tube, end piece, or the part that counts as
        # rigid.
        root = 0.0 if self.blade.root is None else self.blade.root.value
        ends = 0.0 if self.tube.ends is None else self.tube.ends.outside_diameter.value
        if levers[-1] <= max(root, self.tube.outside_diameter.value / 2.0, ends / 2.0):
            raise PydanticCustomError(
                "holes", f"holes[{len(levers)}] lies inside the tube or the blade's root; move it outwards"
            )
        # The bolt goes through the blade where it is least deep.
        depths = [d.value for d in (self.blade.depth, self.blade.tip_depth) if d is not None]
        if self.bolt is not None and self.bolt.diameter.value >= min(depths):
            raise PydanticCustomError(
                "bolt", "bolt.diameter is not below the blade's depth; use a thinner bolt"
            )
        self._holes_apart()
        problem = weld_problem(self.tube, self.blade)
        if problem is not None:
            raise PydanticCustomError("weld", "{problem}", {"problem": problem})
        right = None if self.fitted is None else self.fitted.right
        for key, setting in (("fitted", self.fitted), ("fitted.right", right), ("bench", self.bench)):
            if setting is not None:
                self._setting_exists(key, setting.hole, setting.spacers)
        return self

    def _holes_apart(self) -> None:
        """Refuse holes that run into each other."""
        bolt = 0.0 if self.bolt is None else self.bolt.diameter.value
        for number, (outer, inner) in enumerate(pairwise(self.holes), start=1):
            apart = outer.value - inner.value
            # Equal to the last digit of the sheet, not of the arithmetic.
            if apart < bolt + 1e-9:
                least = "a lever of its own" if bolt == 0.0 else f"more than the bolt's {1e3 * bolt:.4g} mm"
                raise PydanticCustomError(
                    "holes",
                    f"holes[{number}] and holes[{number + 1}] are {1e3 * apart:.3g} mm apart and run into "
                    f"each other; give each {least}",
                )

    def _setting_exists(self, key: str, hole: int, spacers: int) -> None:
        if hole > len(self.holes):
            raise PydanticCustomError(
                "setting", f"{key}.hole is {hole} but the bar has {len(self.holes)} holes; use a hole it has"
            )
        most = 0 if self.spacer is None else self.spacer.most
        if spacers > most:
            raise PydanticCustomError(
                "setting",
                f"{key}.spacers is {spacers} but the bar takes {most}; raise spacer.most or use fewer",
            )


class FormedPoint(Sheet):
    """A corner of the centre line: x forward, y left, z up, from any fixed point of the car."""

    x: Place
    """Forward."""
    y: Place
    """To the left."""
    z: Place
    """Upwards."""
    bend_radius: BendRadius | None = None
    """Centre-line radius of the bend at this corner; a sharp corner when not given."""


class FormedMounts(Sheet):
    """The two bearings of a formed bar, each where the centre line passes its position across the car."""

    left: Place
    """Position of the left bearing across the car (y, left positive), from the same origin as the points."""
    right: Place
    """Position of the right bearing; where the centre line passes it more than once, the pass nearest to the
    middle of the bar counts."""
    rate: PartRate | None = None
    """Radial rate of one mount; rigid when not given."""


class FormedBar(MadeOf):
    """A bar bent from one piece, from the left link eye to the right one."""

    kind: Literal["formed"]
    """Says that this bar is bent from one piece."""
    material: str = "spring steel"
    motion_ratio: BarRatio
    """Link travel at the bar / wheel travel."""
    outside_diameter: Diameter
    """Outside diameter of the bar."""
    wall: Wall | None = None
    """Wall of a bar made of tube; solid when not given."""
    points: Annotated[list[FormedPoint], Field(min_length=3, max_length=60)]
    """Corners of the centre line before bending, from the left link eye to the right one."""
    mounts: FormedMounts
    """Its two bearings."""
    link: Link | None = None
    """The two links; rigid, and their motion is not computed, when not given."""
    bench: BenchTest | None = None
    """A measurement of this bar's rate, to compare with the computed one."""

    @model_validator(mode="after")
    def _possible(self) -> FormedBar:
        _check_wall(self.wall, self.outside_diameter)
        if self.mounts.left.value <= self.mounts.right.value:
            raise PydanticCustomError(
                "mounts", "mounts.left does not lie further left than mounts.right; give it the larger y"
            )
        if self.bench is not None and (self.bench.hole, self.bench.spacers) != (1, 0):
            raise PydanticCustomError(
                "bench", "bench.hole and bench.spacers do not apply to a formed bar; remove them"
            )
        radius = self.outside_diameter.value / 2.0
        for number, point in enumerate(self.points, start=1):
            bend = 0.0 if point.bend_radius is None else point.bend_radius.value
            # A tighter bend would fold the inner side of the bar into itself.
            if 0.0 < bend < radius:
                raise PydanticCustomError(
                    "bend",
                    f"points[{number}].bend_radius is below the bar's own radius of {1e3 * radius:.3g} mm; "
                    "write the radius of the bend's centre line",
                )
        return self


class NoBar(Sheet):
    """No bar on this axle."""

    kind: Literal["none"]
    """Says that this axle has no bar."""


Bar = Annotated[BladedBar | FormedBar | NoBar, Field(discriminator="kind")]


def _check_wall(wall: object, diameter: object) -> None:
    thick, outer = getattr(wall, "value", None), getattr(diameter, "value", 0.0)
    if thick is not None and 2.0 * thick > outer:
        raise PydanticCustomError(
            "wall", "wall is more than half of outside_diameter; leave wall out for a solid bar"
        )
