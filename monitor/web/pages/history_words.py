"""Says in words what a ledger entry about a thing was."""

from monitor.history import entries as made
from monitor.history.entries import Entry, entry_of
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from monitor.web.frame.rack import words
from monitor.web.frame.show import Show


def happened(show: Show, event: Event) -> str:
    """One line, such as "Moved: holding oven, Rod Oven, read 125 °C"."""
    if event.kind is EventKind.CORRECTION:
        what = "withdrawn" if event.body.get("void") else "put right"
        return f"Entry {event.body.get('of')} {what}"
    if event.kind is EventKind.BEAD:
        return f"Bead: {event.body.get('outcome', 'recorded')}"
    if event.kind is EventKind.RECOUNT:
        return str(event.body.get("words", "counted again")).capitalize()
    if event.kind is EventKind.SENSOR_CHECK:
        return f"Check over salts: {event.body.get('words', 'recorded')}"
    try:
        entry = entry_of(event.kind, event.body)
    except InputError:
        return words(event.kind.value).capitalize()
    parts = [part for part in _parts(show, entry) if part]
    return ", ".join(parts)


def _parts(show: Show, entry: Entry) -> list[str]:
    match entry:
        case made.Opened(consumable=consumable, zone=zone, lot=lot, job=job):
            found = ["Opened", consumable, show.zone_name(zone), lot and f"lot {lot}", job and f"job {job}"]
        case made.Moved(place=place, zone=zone, checked_temperature_c=read_c, checked_rh_frac=read_rh):
            found = [words(str(place)).capitalize(), show.zone_name(zone), *_read(show, read_c, read_rh)]
        case made.RanOff(depth_m=depth_m):
            found = [f"Ran off {1_000 * depth_m:.1f} mm of winding"]
        case made.TestBead(sound=sound):
            found = ["Test bead sound" if sound else "Test bead not sound"]
        case made.StoreChecked(temperature_c=read_c, rh_frac=read_rh):
            found = ["Checked", *_read(show, read_c, read_rh)]
        case made.CylinderDelivered(gas=gas, zone=zone):
            found = ["Delivered", gas, show.zone_name(zone)]
        case made.PlateBroughtIn(zone=zone, thickness_m=thickness_m):
            found = ["Brought in", f"{1_000 * thickness_m:g} mm", show.zone_name(zone)]
        case made.CylinderMoved(zone=zone):
            found = ["Brought in", show.zone_name(zone)]
        case made.CylinderConnected(machine=machine):
            found = ["Connected", machine]
        case _:
            found = [words(entry.entry).capitalize()]
    return found


def _read(show: Show, temperature_c: float | None, rh_frac: float | None) -> list[str]:
    found = []
    if temperature_c is not None:
        found.append(f"read {show.temperature(temperature_c)}")
    if rh_frac is not None:
        found.append(f"read {show.humidity(rh_frac)}")
    return found
