"""Fill in what a car sheet leaves to tables and defaults, so that it can carry a tolerance like the rest."""

from __future__ import annotations

from typing import Any

from analyzer.constants import AXLES
from analyzer.prediction.bench import bench_result
from analyzer.sheets.bar import BladedBar, FormedBar, MadeOf, NoBar
from analyzer.sheets.car import AxleSheet, CarSheet
from analyzer.sheets.masses import camber_gain
from analyzer.sheets.materials import find_material
from analyzer.uncertain import Uncertain
from analyzer.units import DEG_PER_RAD


def complete_car(car: CarSheet) -> tuple[CarSheet, tuple[str, ...]]:
    """Return the sheet with moduli, camber gain and bench rate filled in, and what was assumed for that."""
    assumed: list[str] = []
    axles: dict[str, Any] = {}
    for name in AXLES:
        axle = car.axle(name)
        update: dict[str, Any] = {"bar": complete_bar(axle.bar)}
        if axle.suspension == "independent" and axle.camber_gain is None:
            gain = camber_gain(axle)
            update["camber_gain"] = gain
            assumed.append(
                f"{name}.camber_gain: not stated, {gain.value * DEG_PER_RAD:.0f} ± "
                f"{(gain.std or 0.0) * DEG_PER_RAD:.0f} deg/m taken (engineering judgement)"
            )
        assumed.extend(_rigid_parts(name, axle))
        axles[name] = axle.model_copy(update=update)
    return car.model_copy(update=axles), tuple(assumed)


def complete_bar(bar: BladedBar | FormedBar | NoBar) -> BladedBar | FormedBar | NoBar:
    """Return a bar whose parts all state their moduli and whose bench test states its rate."""
    if isinstance(bar, NoBar):
        return bar
    update: dict[str, Any] = {}
    if isinstance(bar, FormedBar):
        update = _moduli(bar)
    else:
        for key in ("tube", "blade", "bolt"):
            part = getattr(bar, key)
            if part is not None:
                update[key] = part.model_copy(update=_moduli(part))
    if bar.bench is not None and bar.bench.rate is None:
        result = bench_result(bar.bench)
        update["bench"] = bar.bench.model_copy(
            update={"rate": Uncertain(result.held_rate, result.held_rate_std)}
        )
    return bar.model_copy(update=update)


def _moduli(part: MadeOf) -> dict[str, Uncertain]:
    material = find_material(part.material)
    if material is None:  # then the sheet states both, or it would have been refused
        return {}
    table = {"elastic_modulus": material.elastic_modulus, "shear_modulus": material.shear_modulus}
    return {key: Uncertain(value) for key, value in table.items() if getattr(part, key) is None}


def _rigid_parts(name: str, axle: AxleSheet) -> list[str]:
    """Return what counts as rigid because the sheet gives no rate for it."""
    lines = []
    if axle.tyre_rate is None:
        lines.append(f"{name}.tyre_rate: not stated, tyres count as rigid")
    if axle.suspension == "solid axle" and axle.spring_base is None:
        lines.append(f"{name}.spring_base: not stated, springs taken to act at the track width")
    if not isinstance(axle.bar, NoBar):
        if axle.bar.mounts.rate is None:
            lines.append(f"{name}.bar.mounts.rate: not stated, mounts count as rigid")
        if axle.bar.link is None or axle.bar.link.rate is None:
            lines.append(f"{name}.bar.link.rate: not stated, links count as rigid")
    return lines
