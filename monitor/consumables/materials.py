"""The sorption parameters of each material, read with their bounds and the check values behind them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.model.data_tables import Sourced, Status, Table
from monitor.physics.sorption import SorptionParameters


@dataclass(frozen=True, slots=True)
class Bounded:
    """A fitted number and what is thought possible."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ConsumableMaterial:
    """One material: parameters, bounds, and the check values they were chosen to meet."""

    id: str
    title: str
    parameters: SorptionParameters
    bounds: Mapping[str, Bounded]
    runoff_uptake_frac: float | None  # of the reference equilibrium: below it a wrap counts as clear
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SorptionData:
    """All materials, with the provenance of the fit and the hydrogen that water brings."""

    status: Status
    source: str
    reference_temperature_c: Sourced
    reference_rh_frac: Sourced
    hydrogen_per_water: Sourced
    hydrogen_transfer: Sourced
    materials: Mapping[str, ConsumableMaterial]

    def parameters(self) -> dict[str, SorptionParameters]:
        """The parameters by material id, as the clocks take them."""
        return {name: material.parameters for name, material in self.materials.items()}


_RANGES = {
    "equilibrium": (1e-8, 1.0),
    "humidity_exponent": (0.1, 10.0),
    "diffusivity": (1e-18, 1e-4),
    "activation": (0.0, 2e5),
    "depth": (1e-5, 1.0),
    "layer": (1e-6, 1.0),
}


def sorption_data(data: Mapping[str, Any]) -> SorptionData:
    """The contents of a sorption file; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    air, hydrogen = top.sub("reference_air"), top.sub("hydrogen")
    status, source = top.choice("status", Status), top.text("source")
    temperature = air.sourced("temperature_c", "degC", 0, 60)
    humidity = air.sourced("rh", "1", 0.01, 1)
    per_water = hydrogen.sourced("per_water", "mL/100 g", 1, 1e6)
    transfer = hydrogen.sourced("transfer", "1", 0, 1)
    air.no_more()
    hydrogen.no_more()
    rows = [(name, row) for name, row in top.tables("material")]
    read = [(name, row, _bounds(row)) for name, row in rows]
    details = [_details(row) for _, row, _ in read]
    top.finish()
    materials = {
        name: _material(name, bounds, detail) for (name, _, bounds), detail in zip(read, details, strict=True)
    }
    return SorptionData(status, source, temperature, humidity, per_water, transfer, materials)


def _bounds(row: Table) -> dict[str, Bounded]:
    found = {name: _bounded(row.sub(name), low, high) for name, (low, high) in _RANGES.items()}
    if found["layer"].value > found["depth"].value:
        row.fault("layer", "must not be thicker than depth; correct one of the two")
    return found


def _bounded(row: Table, low: float, high: float) -> Bounded:
    bounded = Bounded(
        row.number("value", low, high), row.number("low", low, high), row.number("high", low, high)
    )
    if not bounded.low <= bounded.value <= bounded.high:
        row.fault("value", "must lie between low and high; correct one of the three")
    row.no_more()
    return bounded


def _details(row: Table) -> tuple[str, float, float | None, tuple[str, ...]]:
    title = row.text("title")
    spread = row.number("spread_factor", 1, 100)
    runoff = row.number("runoff_uptake", 0.01, 1) if row.has("runoff_uptake") else None
    checks = row.texts("checks")
    if not checks:
        row.fault("checks", "name at least one check value that the numbers meet")
    row.no_more()
    return title, spread, runoff, checks


def _material(
    name: str, bounds: Mapping[str, Bounded], detail: tuple[str, float, float | None, tuple[str, ...]]
) -> ConsumableMaterial:
    title, spread, runoff, checks = detail
    parameters = SorptionParameters(
        equilibrium_kgkg=bounds["equilibrium"].value,
        humidity_exponent=bounds["humidity_exponent"].value,
        diffusivity_m2s=bounds["diffusivity"].value,
        activation_jmol=bounds["activation"].value,
        depth_m=bounds["depth"].value,
        layer_m=bounds["layer"].value,
        spread_factor=spread,
    )
    return ConsumableMaterial(name, title, parameters, bounds, runoff, checks)
