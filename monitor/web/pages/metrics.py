"""The shop and the service as metrics, for whoever watches the watcher.

Label values come from the settings, but for the ids of things: of a kind so many are told, the worst first.
"""

import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path
from platform import python_version
from typing import TypeVar

from prometheus_client import ProcessCollector
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest
from prometheus_client.openmetrics import exposition as openmetrics
from prometheus_client.registry import Collector, CollectorRegistry

from monitor import __version__
from monitor.model.level import Level
from monitor.model.picture import BodyNow, PackageNow, Part, Picture
from monitor.model.sensor import SensorStatus
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.look import ALARM_STATES, RISK

OPEN = "application/openmetrics-text"
MOST_THINGS = 500  # of a kind: every id is a series of its own for ever
_WAITING = ("pending", "waiting")  # what a part's numbers call the length of its queue
_Thing = TypeVar("_Thing", BodyNow, PackageNow)


class _Shop(Collector):
    def __init__(self, snapshot: Picture, deps: WebDeps) -> None:
        self._snapshot = snapshot
        self._now_s = deps.clock()
        self._counts = deps.series.counts()
        self._folder = deps.settings.service.data_dir

    def collect(self) -> Iterable[Metric]:
        """Every family."""
        age = max(0.0, self._now_s - self._snapshot.time_s)
        yield InfoMetricFamily(
            "dryshift_build", "What is running", {"version": __version__, "python": python_version()}
        )
        yield GaugeMetricFamily("dryshift_picture_age_seconds", "Age of the picture the pages show", age)
        judged = float(not self._snapshot.not_judged)
        yield GaugeMetricFamily("dryshift_judged", "1 where what is shown is judged now", judged)
        yield from _zones(self._snapshot)
        yield from _bodies(self._snapshot)
        yield from _packages(self._snapshot)
        yield _alarms(self._snapshot)
        yield from _parts(self._snapshot.parts)
        yield from _disk(self._folder)
        stored = CounterMetricFamily("dryshift_readings", "Readings by what became of them", labels=["fate"])
        for fate, count in sorted(self._counts.items()):
            stored.add_metric([fate], count)
        yield stored


def exposition(deps: WebDeps, accept: str) -> tuple[bytes, str]:
    """The whole text and its content type, as an Accept header asks for it."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Shop(deps.snapshot(), deps))
    ProcessCollector(registry=registry)
    if wants_open(accept):
        return bytes(openmetrics.generate_latest(registry)), openmetrics.CONTENT_TYPE_LATEST  # type: ignore[no-untyped-call]
    return generate_latest(registry), CONTENT_TYPE_PLAIN_0_0_4


def wants_open(accept: str) -> bool:
    """Whether OpenMetrics is asked for by name, and no less than plain text (RFC 9110, 12.5.1)."""
    weights = {"text/plain": 0.0, OPEN: 0.0}
    for one in accept.lower().split(","):
        name, *given = (part.strip() for part in one.split(";"))
        if name in weights:
            said = next((part.removeprefix("q=") for part in given if part.startswith("q=")), "1")
            weights[name] = max(weights[name], _weight(said))
    return weights[OPEN] > 0.0 and weights[OPEN] >= weights["text/plain"]


def _weight(said: str) -> float:
    try:
        return float(said)
    except ValueError:
        return 0.0


def _worst(things: Sequence[_Thing]) -> Sequence[_Thing]:
    return sorted(things, key=lambda one: (RISK[one.level].rank, one.id))[:MOST_THINGS]


def _parts(parts: Sequence[Part]) -> Iterable[Metric]:
    working = GaugeMetricFamily("dryshift_part_working", "1 where a part works", labels=["part"])
    waiting = GaugeMetricFamily(
        "dryshift_queue_length",
        "What waits in a part: readings not stored, messages not sent",
        labels=["part"],
    )
    behind = GaugeMetricFamily("dryshift_behind_seconds", "How far a part is behind", labels=["part"])
    for part in parts:
        working.add_metric([part.name], float(part.ok))
        for name, number in part.numbers.items():
            if name in _WAITING:
                waiting.add_metric([part.name], number)
            elif name == "behind_s":
                behind.add_metric([part.name], number)
    yield from (working, waiting, behind)


def _disk(folder: Path) -> Iterable[Metric]:
    """Of the disk that readings and ledger lie on; no sample where it cannot be asked."""
    try:
        disk = shutil.disk_usage(folder)
    except OSError:
        return
    yield GaugeMetricFamily("dryshift_disk_free_bytes", "Free on the disk of the data", float(disk.free))
    yield GaugeMetricFamily("dryshift_disk_size_bytes", "Size of the disk of the data", float(disk.total))


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
    heard = GaugeMetricFamily(
        "dryshift_sensor_last_heard_timestamp_seconds",
        "When a sensor's newest reading was measured",
        labels=["zone", "sensor"],
    )
    for zone in zones:
        for sensor in zone.sensors:
            if sensor.last_time_s is not None:
                heard.add_metric([zone.id, sensor.sensor], sensor.last_time_s)
            status.add_metric(
                [zone.id, sensor.sensor], {one.value: one is sensor.status for one in SensorStatus}
            )
    yield from (status, heard)


def _bodies(snapshot: Picture) -> Iterable[Metric]:
    bodies = _worst(snapshot.bodies)
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
    packages = _worst(snapshot.packages)
    yield GaugeMetricFamily(
        "dryshift_things_left_out",
        f"Things of which no metric is told: more than {MOST_THINGS} of a kind",
        float(sum(max(len(all_) - MOST_THINGS, 0) for all_ in (snapshot.bodies, snapshot.packages))),
    )
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
