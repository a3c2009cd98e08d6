"""Builds gas grades, hoses and regulator bodies from the mapping that `shared/gas_grades.toml` holds."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from monitor.model.errors import Fault, InputError
from monitor.physics.gas_moisture import ppmv_from_frost_point
from monitor.physics.purge import Hose
from monitor.physics.regulator import RegulatorBody
from monitor.physics.shielding_gas import ARGON

_ATMOSPHERE_PA = 101325.0
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class GasGrade:
    """Limits of one group of shielding gases, as delivered, with where they are from."""

    name: str
    document: str
    group: str
    gases: str
    purity_frac: float
    moisture_ppmv: float
    frost_point_c: float  # at 101.325 kPa
    status: str
    source: str
    note: str

    @property
    def strictest_ppmv(self) -> float:
        """The moisture both limits allow: the lower of the stated one and that of the frost point."""
        return min(self.moisture_ppmv, ppmv_from_frost_point(self.frost_point_c, _ATMOSPHERE_PA, ARGON))


@dataclass(frozen=True, slots=True)
class HoseMaterial:
    """What a hose wall does to water vapour."""

    permeability_mol_mspa: float
    diffusivity_m2s: float

    def hose(self, length_m: float, bore_m: float, wall_m: float) -> Hose:
        """A hose of this material."""
        return Hose(length_m, bore_m, wall_m, self.permeability_mol_mspa, self.diffusivity_m2s)


@dataclass(frozen=True, slots=True)
class GasData:
    """Everything the gas model takes from the data file."""

    grades: Mapping[str, GasGrade]
    hoses: Mapping[str, HoseMaterial]
    regulators: Mapping[str, RegulatorBody]


_NOTES = {"status", "source", "unit", "value"}


def gas_data(tables: Mapping[str, Any]) -> GasData:
    """The grades, hose materials and regulators of `shared/gas_grades.toml`.

    Arguments:
        tables: the file as a mapping, with tables `grades`, `hoses` and `regulators`.
    Returns:
        the data, each number in the unit of its name.
    Raises:
        InputError: every table that lacks a number or its provenance.
    Reference:
        The file names source and status beside each number.
    """
    faults: list[Fault] = []
    data = GasData(
        _each(tables, "grades", _grade, faults),
        _each(tables, "hoses", lambda _, row: HoseMaterial(**_numbers(row)), faults),
        _each(tables, "regulators", lambda _, row: RegulatorBody(**_numbers(row)), faults),
    )
    if faults:
        raise InputError(faults)
    return data


def _each(
    tables: Mapping[str, Any], kind: str, build: Callable[[str, Mapping[str, Any]], _T], faults: list[Fault]
) -> dict[str, _T]:
    rows = tables.get(kind)
    if not isinstance(rows, Mapping) or not rows:
        faults.append(Fault(kind, "no table", f"restore the table {kind}"))
        return {}
    built = {}
    for name, row in rows.items():
        try:
            built[name] = build(name, row)
        except (KeyError, TypeError, ValueError) as error:
            faults.append(
                Fault(f"{kind}.{name}", str(error), "give every number with value, status and source")
            )
    return built


def _numbers(row: Mapping[str, Any]) -> dict[str, float]:
    found = {}
    for name, entry in row.items():
        if not set(entry) >= _NOTES:
            raise KeyError(name)
        found[name] = float(entry["value"])
    return found


def _grade(name: str, row: Mapping[str, Any]) -> GasGrade:
    limits = _numbers({key: value for key, value in row.items() if isinstance(value, Mapping)})
    return GasGrade(
        name,
        str(row["document"]),
        str(row["group"]),
        str(row["gases"]),
        status=str(row["moisture_ppmv"]["status"]),
        source=str(row["moisture_ppmv"]["source"]),
        note=str(row.get("note", "")),
        **limits,
    )
