"""The shop and the service as OpenMetrics text, for whoever watches the watcher."""

from collections.abc import Iterable

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from monitor.model.level import Level
from monitor.model.picture import Picture
from monitor.model.sensor import SensorStatus
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.look import ALARM_STATES

CONTENT_TYPE = CONTENT_TYPE_LATEST


class _Shop(Collector):
    def __init__(self, snapshot: Picture, now_s: float, counts: dict[str, int]) -> None:
        self._snapshot = snapshot
        self._now_s = now_s
        self._counts = counts

    def collect(self) -> Iterable[Metric]:
        """Every family."""
        age = max(0.0, self._now_s - self._snapshot.time_s)
        yield GaugeMetricFamily("dryshift_picture_age_seconds", "Age of the picture the pages show", age)
        yield from _zones(self._snapshot)
        yield from _bodies(self._snapshot)
        yield from _packages(self._snapshot)
        yield _alarms(self._snapshot)
        parts = GaugeMetricFamily("dryshift_part_working", "1 where a part works", labels=["part"])
        for part in self._snapshot.parts:
            parts.add_metric([part.name], float(part.ok))
        yield parts
        stored = CounterMetricFamily("dryshift_readings", "Readings by what became of them", labels=["fate"])
        for fate, count in sorted(self._counts.items()):
            stored.add_metric([fate], count)
        yield stored


def exposition(deps: WebDeps) -> bytes:
    """The whole text."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Shop(deps.snapshot(), deps.clock(), deps.series.counts()))
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


def _levels(name: str, help_: str, things: Iterable[tuple[str, str, Level]]) -> StateSetMetricFamily:
    family = StateSetMetricFamily(name, help_, labels=["zone", "id"])
    for zone, id_, level in things:
        family.add_metric([zone, id_], {one.value: one is level for one in Level})
    return family


def _gauge(name: str, help_: str, things: Iterable[tuple[str, str, float | None]]) -> GaugeMetricFamily:
    """A number that is not known gives no sample."""
    family = GaugeMetricFamily(name, help_, labels=["zone", "id"])
    for zone, id_, value in things:
        if value is not None:
            family.add_metric([zone, id_], value)
    return family


def _zones(snapshot: Picture) -> Iterable[Metric]:
    zones = snapshot.zones
    yield _levels("dryshift_zone_level", "Risk level of a zone", [(z.id, z.id, z.level) for z in zones])
    air = [(zone.id, zone.air) for zone in zones if zone.air is not None]
    yield _gauge(
        "dryshift_air_celsius", "Believed air temperature", [(z, z, a.temperature_c) for z, a in air]
    )
    yield _gauge("dryshift_dew_point_celsius", "Believed dew point", [(z, z, a.dew_point_c) for z, a in air])
    yield _gauge(
        "dryshift_relative_humidity_ratio",
        "Believed relative humidity, 0 to 1",
        [(z, z, a.relative_humidity_frac) for z, a in air],
    )
    status = StateSetMetricFamily("dryshift_sensor_status", "NE 107 status", labels=["zone", "sensor"])
    for zone in zones:
        for sensor in zone.sensors:
            status.add_metric(
                [zone.id, sensor.sensor], {one.value: one is sensor.status for one in SensorStatus}
            )
    yield status


def _bodies(snapshot: Picture) -> Iterable[Metric]:
    bodies = snapshot.bodies
    yield _levels("dryshift_body_level", "Risk level of a body", [(b.zone, b.id, b.level) for b in bodies])
    yield _gauge(
        "dryshift_surface_margin_kelvin",
        "Skin temperature minus dew point",
        [(b.zone, b.id, b.margin_k) for b in bodies],
    )
    yield _gauge(
        "dryshift_wet_probability_ratio",
        "Odds that a surface is wet, 0 to 1",
        [(b.zone, b.id, b.wet_probability_frac) for b in bodies],
    )


def _packages(snapshot: Picture) -> Iterable[Metric]:
    packages = snapshot.packages
    yield _levels(
        "dryshift_package_level",
        "Risk level of an opened package",
        [(p.zone, p.id, p.level) for p in packages],
    )
    yield _gauge(
        "dryshift_exposure_seconds", "Open time used", [(p.zone, p.id, 3_600 * p.used_h) for p in packages]
    )
    yield _gauge(
        "dryshift_exposure_limit_seconds",
        "Open time permitted",
        [(p.zone, p.id, None if p.limit_h is None else 3_600 * p.limit_h) for p in packages],
    )


def _alarms(snapshot: Picture) -> Metric:
    family = GaugeMetricFamily("dryshift_alarms", "Conditions by ISA-18.2 state", labels=["state"])
    for state in ALARM_STATES:
        if state != "normal":
            family.add_metric([state.value], sum(alarm.state == state for alarm in snapshot.alarms))
    return family
