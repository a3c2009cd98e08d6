"""The instruments of a record: what each measures, how well, when it was calibrated and when doubted."""

from collections.abc import Sequence
from datetime import datetime

from monitor.history.unknown_hours import HOUR_S
from monitor.model.device import Sensor
from monitor.model.place import Site
from monitor.model.reading import Quantity
from monitor.report.chart import Window
from monitor.report.sensor_check_lines import all_checks
from monitor.report.sensor_troubles import Trouble, status_events, troubles
from monitor.report.sheet import SheetSection, Writing
from monitor.report.sources import Sources
from monitor.report.zone_series import WIDTH_S
from monitor.sensors.quality_rules import calibrated_on_s
from monitor.sensors.salt_check import DatedCheck, calibration_due_s

COLUMNS = ("instrument", "place", "measures", "calibrated", "next due", "last check", "not good h", "reasons")


def instruments_in_week(
    sources: Sources, site: Site, between_s: tuple[float, float], writing: Writing
) -> SheetSection:
    """A line for each sensor of the site, as it stood at the end."""
    start_s, end_s = between_s
    window = Window(start_s, end_s, WIDTH_S)
    doubted: dict[str, list[Trouble]] = {}
    for trouble in troubles(sources.settings, status_events(sources.ledger, window), window, sources.now_s):
        doubted.setdefault(trouble.sensor, []).append(trouble)
    checks = all_checks(sources.ledger)
    here = {zone.id: zone.name for zone in sources.settings.zones if zone.site == site.id}
    rows = tuple(
        (
            sensor.id,
            here[sensor.zone],
            _measures(sensor, writing),
            *_calibration(sensor, checks.get(sensor.id, []), end_s, writing),
            *_doubted(doubted.get(sensor.id, []), between_s),
        )
        for sensor in sources.settings.sensors
        if sensor.zone in here
    )
    return SheetSection("instruments", "Instruments", COLUMNS, rows)


def _measures(sensor: Sensor, writing: Writing) -> str:
    return ", ".join(
        _figure(measure.quantity, measure.accuracy, writing)
        for measure in sensor.measures
        if measure.quantity is not Quantity.DEW_POINT
    )


def _figure(quantity: Quantity, accuracy: float | None, writing: Writing) -> str:
    words = quantity.value.rpartition("_")[0].removeprefix("air_").removeprefix("relative_").replace("_", " ")
    if accuracy is None:
        return words
    if quantity.value.endswith("_frac"):
        return f"{words} ±{100.0 * accuracy:g} %RH"
    if quantity.value.endswith("_c"):
        return f"{words} ±{writing.difference(accuracy).lstrip('+')} {writing.degree}"
    return f"{words} ±{accuracy:g}"


def _calibration(
    sensor: Sensor, checks: Sequence[DatedCheck], end_s: float, writing: Writing
) -> tuple[str, str, str]:
    """When, when next, and what the last check over salts of the time before the end showed."""
    made = [check for check in checks if check.time_s < end_s]
    set_s = calibrated_on_s(sensor)
    counted = [check.time_s for check in made if check.check.counts]
    last_s = max([*counted, *([] if set_s is None else [set_s])], default=None)
    due_s = calibration_due_s(made, set_s, sensor.calibration_days)
    due = "never entered" if due_s is None else _day(due_s, writing)
    if due_s is not None and due_s < end_s:
        due = f"OVERDUE since {due}"
    last = "" if not made else f"{_day(made[-1].time_s, writing)}: {made[-1].check.outcome.value}"
    return "" if last_s is None else _day(last_s, writing), due, last.replace("_", " ")


def _day(time_s: float, writing: Writing) -> str:
    return datetime.fromtimestamp(time_s, writing.zone).date().isoformat()


def _doubted(found: Sequence[Trouble], between_s: tuple[float, float]) -> tuple[str, str]:
    start_s, end_s = between_s
    lasted = sum(max(0.0, min(one.end_s, end_s) - max(one.start_s, start_s)) for one in found) / HOUR_S
    said = list(dict.fromkeys(f"{one.status.value.replace('_', ' ')}, {one.reason}" for one in found))
    return f"{lasted:.2f}", "; ".join(said[:3]) + (f" and {len(said) - 3} more" if len(said) > 3 else "")
