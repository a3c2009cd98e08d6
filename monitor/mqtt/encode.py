"""Writes the payloads that sensors send: the own format and SenML (RFC 8428)."""

from collections.abc import Mapping
from datetime import UTC, datetime

import msgspec

from monitor.model.reading import Quantity
from monitor.mqtt.units import CONVERSIONS, PAYLOAD_NAMES

# What a sensor says when nothing else is asked for: Celsius, per cent, pascal, watt.
USUAL_UNITS: Mapping[Quantity, str] = {
    Quantity.AIR_TEMPERATURE: "Cel",
    Quantity.SURFACE_TEMPERATURE: "Cel",
    Quantity.RELATIVE_HUMIDITY: "%RH",
    Quantity.STATION_PRESSURE: "Pa",
    Quantity.DOOR_OPEN: "/",
    Quantity.WINDOW_OPEN: "/",
    Quantity.EXTRACT_ON: "/",
    Quantity.CARBON_DIOXIDE: "ppm",
    Quantity.PEOPLE: "count",
    Quantity.HEATER_POWER: "W",
    Quantity.DEHUMIDIFIER_POWER: "W",
    Quantity.COLD_PARTS: "kg",
    Quantity.SOLAR_RADIATION: "W/m2",
    Quantity.BATTERY: "%EL",
}


def encode_own(
    time_s: float | None,
    values: Mapping[Quantity, float],
    sequence: int | None = None,
    units: Mapping[Quantity, str] | None = None,
) -> bytes:
    """One message in the own format; `values` are in inside units, `units` say what to send them in."""
    message: dict[str, object] = {}
    if time_s is not None:
        moment = datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")
        message["time"] = moment.replace("+00:00", "Z")
    if sequence is not None:
        message["sequence"] = sequence
    amounts = {}
    for quantity, inside in values.items():
        unit, value = _in_unit(quantity, inside, units)
        amounts[PAYLOAD_NAMES[quantity]] = {"value": value, "unit": unit}
    message["quantities"] = amounts
    return msgspec.json.encode(message)


def encode_senml(
    device: str,
    time_s: float | None,
    values: Mapping[Quantity, float],
    units: Mapping[Quantity, str] | None = None,
) -> bytes:
    """One SenML pack, one record a quantity, named `device:quantity`."""
    records: list[dict[str, object]] = []
    for quantity, inside in values.items():
        unit, value = _in_unit(quantity, inside, units)
        records.append({"n": PAYLOAD_NAMES[quantity], "u": unit, "v": value})
    if records:
        base: dict[str, object] = {"bn": f"{device}:"}
        if time_s is not None:
            base["bt"] = time_s
        records[0] = base | records[0]
    return msgspec.json.encode(records)


def _in_unit(quantity: Quantity, inside: float, units: Mapping[Quantity, str] | None) -> tuple[str, float]:
    """The unit, and the value in it to nine decimals: a device sends no more."""
    unit = (units or {}).get(quantity, USUAL_UNITS[quantity])
    return unit, round(CONVERSIONS[quantity][unit].from_inside(inside), 9)
