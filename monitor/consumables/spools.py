"""Spools and wires as data, and what to run off a given package before it is welded with again."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.materials import ConsumableMaterial
from monitor.model.data_tables import Sourced, Status, Table
from monitor.model.errors import Fault, InputError
from monitor.physics.spool import Layers, RunOff, Winding, layers_of, run_off, wet_depth_m


class SpoolBody(StrEnum):
    """What a spool is made of."""

    PLASTIC = "plastic"
    METAL = "metal"
    FIBRE = "fibre"


@dataclass(frozen=True, slots=True)
class SpoolType:
    """A spool's geometry, what it is made of, and the mass its label gives."""

    id: str
    title: str
    flange_m: Sourced
    barrel_m: Sourced
    width_m: Sourced
    label_kg: Sourced
    body: SpoolBody

    @property
    def stands_heat(self) -> bool:
        """Whether it may go into an oven: metal only."""
        return self.body is SpoolBody.METAL


@dataclass(frozen=True, slots=True)
class WireType:
    """A sort of wire: how heavy it is, how fast it is usually fed."""

    id: str
    title: str
    density_kgm3: Sourced
    feed_m_min: Sourced
    diameters_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SpoolData:
    """All spools and wires, and how wire is packed on them."""

    spools: Mapping[str, SpoolType]
    wires: Mapping[str, WireType]
    wrap_pitch: Sourced
    layer_pitch: Sourced
    clearance_m: Sourced
    usual_run_off_min: Sourced
    usual_layers: Sourced

    def winding(self, spool: str, wire: str, wire_m: float) -> Winding:
        """One spool with one wire; raises InputError for an unknown one."""
        faults = [
            Fault(name, found, f"use one of: {', '.join(sorted(known))}")
            for name, found, known in (("spool", spool, self.spools), ("wire", wire, self.wires))
            if found not in known
        ]
        if faults:
            raise InputError(faults)
        kind = self.spools[spool]
        return Winding(
            barrel_m=kind.barrel_m.value,
            flange_m=kind.flange_m.value,
            width_m=kind.width_m.value,
            wire_m=wire_m,
            density_kgm3=self.wires[wire].density_kgm3.value,
            wrap_pitch=self.wrap_pitch.value,
            layer_pitch=self.layer_pitch.value,
        )


@dataclass(frozen=True, slots=True)
class RunOffAdvice:
    """What to run off, between the least and the most that is thought possible; a test bead decides."""

    likely: RunOff
    least: RunOff
    most: RunOff
    text: str


def spool_data(data: Mapping[str, Any]) -> SpoolData:
    """The contents of a spools file; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    winding = top.sub("winding")
    wrap = winding.sourced("wrap_pitch", "1", 1.0, 2.0)
    layer = winding.sourced("layer_pitch", "1", 0.87, 1.5)
    clearance = winding.sourced("clearance", "m", 0.0, 0.1)
    winding.no_more()
    practice = top.sub("run_off")
    usual_min = practice.sourced("usual", "min", 1.0, 120.0)
    usual_layers = practice.sourced("layers", "1", 1.0, 20.0)
    practice.no_more()
    spools: dict[str, SpoolType] = {}
    wires: dict[str, WireType] = {}
    for row in top.rows("spool"):
        spool = _spool(row)
        _add(spools, spool.id, spool, row)
    for row in top.rows("wire"):
        wire = _wire(row)
        _add(wires, wire.id, wire, row)
    top.finish()
    return SpoolData(spools, wires, wrap, layer, clearance, usual_min, usual_layers)


def _add(known: dict[str, Any], name: str, value: object, row: Table) -> None:
    if name in known:
        row.fault("id", f"{name} is used twice; give each its own id")
    known[name] = value


def _body(row: Table) -> SpoolBody:
    made = row.sub("body")
    body = made.choice("material", SpoolBody)
    made.choice("status", Status)
    made.text("source")
    made.no_more()
    return body


def _spool(row: Table) -> SpoolType:
    spool = SpoolType(
        id=row.text("id"),
        title=row.text("title"),
        flange_m=row.sourced("flange", "m", 0.02, 3.0),
        barrel_m=row.sourced("barrel", "m", 0.01, 2.0),
        width_m=row.sourced("width", "m", 0.005, 2.0),
        label_kg=row.sourced("labels", "kg", 0.05, 2000.0),
        body=_body(row),
    )
    if spool.barrel_m.value >= spool.flange_m.value:
        row.fault("barrel", "must be smaller than flange; correct one of the two")
    row.no_more()
    return spool


def _wire(row: Table) -> WireType:
    diameters = row.numbers("diameters_mm", 0.3, 6.0)
    wire = WireType(
        id=row.text("id"),
        title=row.text("title"),
        density_kgm3=row.sourced("density", "kg/m3", 1000.0, 12_000.0),
        feed_m_min=row.sourced("feed", "m/min", 0.1, 60.0),
        diameters_m=tuple(value / 1000.0 for value in diameters),
    )
    row.no_more()
    return wire


def run_off_advice(
    clock: ExposureClock,
    rules: ClockRules,
    material: ConsumableMaterial,
    layers: Layers,
    feed_m_min: float,
    price_per_kg: float = 0.0,
) -> RunOffAdvice | None:
    """What to run off this spool by its estimated uptake; None where the class takes no water to speak of.

    The bounds come from the material's spread: the same profile with the uptake that much lower and higher.
    """
    if rules.sorption is None or not clock.uptake_kgkg or material.runoff_uptake_frac is None:
        return None
    clear = material.runoff_uptake_frac * rules.sorption.equilibrium_kgkg
    state = np.array(clock.uptake_kgkg)
    spread = rules.sorption.spread_factor
    core_m = float(layers.depth_m[-1]) + 1e-3
    found = []
    for factor in (1.0, spread, 1.0 / spread):
        wet_m = wet_depth_m(state, min(clear * factor, 1.0), rules.sorption)
        damp_through = wet_m >= rules.sorption.depth_m
        found.append(run_off(layers, core_m if damp_through else wet_m, feed_m_min / 60.0, price_per_kg))
    likely, least, most = found
    return RunOffAdvice(likely, least, most, _advice_text(likely, most))


def _advice_text(likely: RunOff, most: RunOff) -> str:
    if most.layers == 0:
        return "Estimate: nothing to run off. Weld a test bead if in doubt."
    if likely.whole_spool:
        return "Estimate: damp to the core. Withdraw the spool."
    if likely.layers == 0:
        return f"Estimate: probably clear, at most {most.layers} layers. Weld a test bead."
    plural = "layer" if likely.layers == 1 else "layers"
    if most.whole_spool:
        most_text = ", perhaps damp to the core"
    else:
        most_text = f", at most {most.layers}" if most.layers > likely.layers else ""
    return (
        f"Estimate: {likely.layers} damp {plural} ({likely.minutes:.0f} min, {likely.mass_kg:.1f} kg)"
        f"{most_text}. The test bead decides."
    )


def spool_layers(
    data: SpoolData, spool: str, wire: str, wire_m: float, mass_kg: float | None = None
) -> Layers:
    """The layers of a spool, full to its label unless the mass of wire left is known."""
    winding = data.winding(spool, wire, wire_m)
    return layers_of(winding, data.spools[spool].label_kg.value if mass_kg is None else mass_kg)
