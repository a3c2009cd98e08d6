"""What the gas page takes for given, as data with provenance: mixtures, the usual hose and flow, cautions."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.model.data_tables import Sourced, Statement, Status, Table
from monitor.model.errors import Fault, InputError
from monitor.physics.gas_data import GasData, GasGrade
from monitor.physics.shielding_gas import MOLAR_MASS_KGMOL, GasMixture, gas_mixture


@dataclass(frozen=True, slots=True)
class Mixture:
    """A gas of the settings: what it is taken to be, how it is filled, and whose limits it keeps."""

    id: str
    title: str
    gas: GasMixture
    grades: tuple[GasGrade, ...]
    filled_pa: Sourced  # gauge
    status: Status
    source: str

    @property
    def liquefied(self) -> bool:
        """Whether the cylinder holds liquid."""
        return self.gas.share_frac("carbon_dioxide") == 1.0

    @property
    def limit_ppmv(self) -> float:
        """The moisture that its first named document allows as delivered."""
        return self.grades[0].strictest_ppmv


@dataclass(frozen=True, slots=True)
class Usual:
    """What is taken where nobody says otherwise."""

    flow_lmin: Sourced
    hose_length_m: Sourced
    hose_bore_m: Sourced
    hose_wall_m: Sourced
    hose_pressure_pa: Sourced  # gauge
    low_pa: Sourced  # gauge
    rated_c: Sourced
    volume_m3: Sourced
    supply_share: Sourced  # of its limit, what a supply is taken to hold
    most_flow_lmin: Sourced
    idle_h: Sourced
    hose: str
    regulator: str


@dataclass(frozen=True, slots=True)
class GasUse:
    """All of it, with the physical data it refers to."""

    mixtures: Mapping[str, Mixture]
    usual: Usual
    cautions: tuple[Statement, ...]  # a line beside every answer about gas
    data: GasData

    def mixture(self, gas: str) -> Mixture:
        """A gas by the name that settings and entries use; InputError for any other."""
        if gas not in self.mixtures:
            raise InputError([Fault("gas", gas, f"use one of: {', '.join(self.mixtures)}")])
        return self.mixtures[gas]


def gas_use(data: Mapping[str, Any], physical: GasData) -> GasUse:
    """The contents of the gas use file; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    mixtures = {name: _mixture(name, row, physical) for name, row in top.tables("mixtures")}
    usual = _usual(top.sub("usual"), physical)
    cautions = tuple(_caution(row) for row in top.rows("caution"))
    top.finish()
    return GasUse({name: mixture for name, mixture in mixtures.items() if mixture}, usual, cautions, physical)


def _mixture(name: str, row: Table, physical: GasData) -> Mixture | None:
    shares_row = row.sub("shares")
    shares = {
        gas: shares_row.number(gas, 1e-6, 1.0) for gas in sorted(MOLAR_MASS_KGMOL) if shares_row.has(gas)
    }
    shares_row.no_more()
    if abs(sum(shares.values()) - 1.0) > 1e-6:
        row.fault("shares", "write fractions that add up to 1")
    grades = row.texts("grades")
    if not grades or not set(grades) <= set(physical.grades):
        row.fault("grades", f"write at least one of: {', '.join(sorted(physical.grades))}")
    title, filled = row.text("title"), row.sourced("filled", "Pa", 1e5, 4e7)
    status, source = row.choice("status", Status), row.text("source")
    row.no_more()
    if row.faults:
        return None
    known = tuple(physical.grades[grade] for grade in grades)
    return Mixture(name, title, gas_mixture(shares), known, filled, status, source)


def _usual(row: Table, physical: GasData) -> Usual:
    usual = Usual(
        flow_lmin=row.sourced("flow", "L/min", 0.1, 100),
        hose_length_m=row.sourced("hose_length", "m", 0.1, 500),
        hose_bore_m=row.sourced("hose_bore", "m", 1e-3, 0.05),
        hose_wall_m=row.sourced("hose_wall", "m", 1e-4, 0.05),
        hose_pressure_pa=row.sourced("hose_pressure", "Pa", 0, 1e6),
        low_pa=row.sourced("low", "Pa", 0, 5e6),
        rated_c=row.sourced("rated_c", "degC", -20, 40),
        volume_m3=row.sourced("volume", "m3", 1e-4, 2),
        supply_share=row.sourced("supply_share", "1", 0, 1),
        most_flow_lmin=row.sourced("most_flow", "L/min", 1, 1000),
        idle_h=row.sourced("idle", "h", 0, 1000),
        hose=row.text("hose"),
        regulator=row.text("regulator"),
    )
    for name, known in (("hose", physical.hoses), ("regulator", physical.regulators)):
        if getattr(usual, name) not in known:
            row.fault(name, f"use one of: {', '.join(sorted(known))}")
    row.no_more()
    return usual


def _caution(row: Table) -> Statement:
    caution = Statement(row.text("text"), row.choice("status", Status), row.text("source"))
    row.no_more()
    return caution
