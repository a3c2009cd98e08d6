"""What is known of every zone's air and skins now, for panels, controllers and flow tools."""

from typing import Any

from monitor.model.picture import Picture, ZoneNow
from monitor.notify.lamps import lamp_states

Amount = dict[str, Any] | None
AGAIN_S = 60.0  # said again though nothing changed


def zone_topic_base(root: str) -> str:
    """Where the zones hang; a level deeper than sensors publish, so none of them can write there."""
    return f"{root}/{{site}}/zone"


def zone_states(now: Picture) -> dict[tuple[str, str], dict[str, Any]]:
    """By site and zone: level, air, and how far the nearest skin is from the dew point; None is not known."""
    levels = lamp_states(now)
    return {(zone.site, zone.id): _state(now, zone, levels[zone.site, zone.id]) for zone in now.zones}


def _state(now: Picture, zone: ZoneNow, lamp: dict[str, Any]) -> dict[str, Any]:
    air = zone.air
    margins = [body.margin_k for body in now.bodies if body.zone == zone.id]
    known = [margin for margin in margins if margin is not None]
    return {
        "name": zone.name,
        "level": lamp["level"],
        "air_level": str(zone.level),
        "air_temperature": None if air is None else _amount(air.temperature_c, "Cel"),
        "relative_humidity": None if air is None else _amount(100.0 * air.relative_humidity_frac, "%RH"),
        "dew_point": None if air is None else _amount(air.dew_point_c, "Cel"),
        # One skin that nobody knows may be the nearest: then nothing is known of the nearest.
        "margin": _amount(min(known), "K") if known and len(known) == len(margins) else None,
        "skins": len(margins),
        "skins_unknown": len(margins) - len(known),
    }


def _amount(value: float, unit: str) -> Amount:
    return {"value": round(value, 1), "unit": unit}
