"""A humid week at the sample yard, written into real stores: readings, a gap, doubts, alarms."""

import math

import numpy as np

from monitor.engine.foretold import scored_event
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.physics.moist_air import humidity_ratio_kgkg
from monitor.physics.saturation import vapour_pressure_pa
from monitor.settings.schema import Settings
from monitor.store.contract import SetAside
from monitor.store.ledger.sql_ledger import SqlLedger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.web.sample_ahead import scores
from tests.web.sample_shop import LEAD, NOW_S, START_S

TRIGGERS = {
    "unacknowledged": "condition_active",
    "acknowledged": "acknowledge",
    "normal": "condition_clears",
}
EVERY_S = 300.0
PRESSURE_PA = 101_325.0
OUTAGES = ((START_S + 55.1 * 3_600, START_S + 66 * 3_600), (NOW_S - 2_040, NOW_S))


def dew_point(temperature_c: np.ndarray, humidity_frac: np.ndarray) -> np.ndarray:
    """WMO-No. 8 form, good enough for a sample."""
    g = np.log(humidity_frac) + 17.62 * temperature_c / (243.12 + temperature_c)
    return np.asarray(243.12 * g / (17.62 - g))


# zone: mean temperature, daily swing, humidity at the start, rise over the week, lag of the swing in hours
_CLIMATE = {
    "slip-bay": (16.5, 2.5, 0.66, 0.20, 1.5),
    "panel-hall": (18.0, 1.8, 0.58, 0.17, 2.5),
    "wire-store": (19.5, 0.8, 0.45, 0.12, 4.0),
    "gas-cage": (14.5, 3.0, 0.72, 0.24, 1.0),
    "plate-yard": (13.5, 4.0, 0.74, 0.22, 0.5),
    "slipway-mast": (13.0, 4.5, 0.76, 0.20, 0.0),
}
_BODY_LAG = {"mix-1": -3.6, "co2-1": -1.9, "deck-12": -2.2, "keel-25": -2.6, "panel-8": 0.6}


def fill(store: SqliteSeriesStore, shop: Settings, start_s: float, end_s: float) -> None:
    """Readings, derived points, a gap, doubtful readings and unreadable messages."""
    times = np.arange(math.ceil(start_s / EVERY_S) * EVERY_S, end_s, EVERY_S)
    chance = np.random.default_rng(7)
    for zone, (mean_c, swing_c, first, rise, lag_h) in _CLIMATE.items():
        day = (times - start_s) / 86_400.0
        hour = (times / 3_600.0 + 1.0) % 24.0
        wave = np.cos(2 * np.pi * (hour - 15.0 - lag_h) / 24.0)
        slow = 0.5 + 0.5 * np.tanh((day - day[-1] + 3.5) / 1.2)
        air_c = mean_c + swing_c * wave + 0.15 * np.cumsum(chance.normal(0, 0.05, times.size)).clip(-6, 6)
        wet = (first + rise * slow - 0.09 * wave + chance.normal(0, 0.004, times.size)).clip(0.2, 0.985)
        keep = np.ones(times.size, bool)
        if zone == "plate-yard":
            keep = np.ones(times.size, bool)
            for out_s, back_s in OUTAGES:
                keep &= ~((times >= out_s) & (times < back_s))
        _write_zone(store, shop, zone, times[keep], air_c[keep], wet[keep])
    newest = [s for s in store.readings_after(0, 5_000_000) if s.reading.key.source == "slip-3"]
    window = [s for s in newest if 24 * 3_600 < s.reading.time_s - START_S < 33.6 * 3_600]
    store.mark([Mark(s.order, SensorStatus.OUT_OF_SPECIFICATION, "disagrees with slip-1") for s in window])
    store.append(
        [],
        [
            SetAside(
                "dryshift/ferrymoor/slip-bay/slip-2",
                b'{"t": 17.2, "rh": NaN}',
                NOW_S - 7_300,
                "not_json",
                "payload: found NaN at byte 18; send numbers as JSON writes them",
            ),
            SetAside(
                "dryshift/ferrymoor/attic/x9",
                b"\xff\xfe\x00\x01",
                NOW_S - 90_000,
                "unknown_topic",
                "topic: found an unknown sensor x9; add it to the settings",
            ),
        ],
    )


def _write_zone(
    store: SqliteSeriesStore, shop: Settings, zone: str, times: np.ndarray, air_c: np.ndarray, wet: np.ndarray
) -> None:
    for sensor in [s for s in shop.sensors if s.zone == zone]:
        rows = [
            Reading(SeriesKey(zone, sensor.id, quantity), float(t), float(t), round(float(v), 4))
            for quantity, values in ((Quantity.AIR_TEMPERATURE, air_c), (Quantity.RELATIVE_HUMIDITY, wet))
            for t, v in zip(times, values, strict=True)
        ]
        store.append(rows)
    dew_c = dew_point(air_c, wet)
    hours = slice(6, None, 12)  # told hour by hour, a little late and a little dry
    told_c = np.roll(dew_c, 6)[hours] - 0.3
    told = (
        (Quantity.DEW_POINT_TOLD_LOW, -1.2),
        (Quantity.DEW_POINT_TOLD, 0.0),
        (Quantity.DEW_POINT_TOLD_HIGH, 1.2),
    )
    for quantity, off_k in told:
        key = SeriesKey(zone, "zone", quantity)
        store.write_points(
            [Point(key, float(t), float(v) + off_k) for t, v in zip(times[hours], told_c, strict=True)]
        )
    points = [
        Point(SeriesKey(zone, "zone", quantity), float(t), float(v))
        for quantity, values in (
            (Quantity.AIR_TEMPERATURE, air_c),
            (Quantity.RELATIVE_HUMIDITY, wet),
            (Quantity.DEW_POINT, dew_c),
            (Quantity.HUMIDITY_RATIO, humidity_ratio_kgkg(vapour_pressure_pa(air_c, wet), PRESSURE_PA)),
        )
        for t, v in zip(times, values, strict=True)
    ]
    bodies = [b for b in (*shop.cylinders, *shop.plates) if b.zone == zone and b.id in _BODY_LAG]
    for body in bodies:
        late_c = np.convolve(np.pad(air_c, (24, 0), mode="edge"), np.full(25, 1 / 25), mode="valid")
        margin = np.maximum(late_c - air_c, -2.0) + air_c - dew_c + _BODY_LAG[body.id] + 1.6
        key = SeriesKey(zone, body.id, Quantity.MARGIN)
        points += [Point(key, float(t), float(v)) for t, v in zip(times, margin, strict=True)]
        skin = SeriesKey(zone, body.id, Quantity.SKIN_TEMPERATURE)
        points += [Point(skin, float(t), float(v)) for t, v in zip(times, margin + dew_c, strict=True)]
    store.write_points(points)


def write_history(ledger: SqlLedger, start_s: float) -> None:
    """A week of alarms, sensor troubles, deliveries and shifts that are over."""
    hour = 3_600.0
    for done in scores():
        ledger.commit([scored_event(done, done.shift.end_s + hour)], entered_s=done.shift.end_s + hour)

    def alarm(
        at_s: float, kind: str, subject: str, zone: str, moves: list[tuple[float, str, str, str]]
    ) -> None:
        for delay_s, before, after, who in moves:
            body: dict[str, object] = {"from_state": before, "to_state": after, "kind": kind}
            body |= {"subject": subject, "zone": zone, "priority": "medium"}
            condition, time_s = f"{kind}.{subject}", at_s + delay_s
            body |= {"time_s": time_s, "condition_id": condition, "who": who, "trigger": TRIGGERS[after]}
            new = NewEvent(
                EventKind.ALARM_TRANSITION, condition, time_s, who, body, key=f"{condition}@{time_s}"
            )
            ledger.commit([new], entered_s=time_s)

    usual = [
        (0.0, "normal", "unacknowledged", ""),
        (0.3 * hour, "unacknowledged", "acknowledged", LEAD),
        (5 * hour, "acknowledged", "normal", ""),
    ]
    alarm(start_s + 77 * hour, "zone_humidity_high", "wire-store", "wire-store", usual)
    alarm(start_s + 121 * hour, "body_margin_low", "deck-12", "plate-yard", usual)
    for n in range(1, 4):
        alarm(NOW_S - 0.9 * hour + n, "body_wet", f"mix-{n}", "gas-cage", usual[:1])
    for sensor, at_s, status, reason in (
        ("slip-3", start_s + 24 * hour, "out_of_specification", "disagrees with slip-1 by 6 %RH"),
        ("slip-3", start_s + 33.6 * hour, "good", ""),
        ("plate-1", start_s + 55.5 * hour, "failure", "no reading for 25 min"),
        ("plate-1", start_s + 66 * hour, "good", ""),
        ("plate-1", NOW_S - 0.3 * hour, "failure", "no reading for 25 min"),
        ("slip-3", NOW_S - 2 * hour, "out_of_specification", "disagrees with slip-1 by 6 %RH"),
        ("wire-2", NOW_S - 30 * hour, "maintenance_required", "calibration due since 1 Sep"),
    ):
        body: dict[str, object] = {"status": status, "reason": reason}
        ledger.commit([NewEvent(EventKind.SENSOR_STATUS, sensor, at_s, "", body)], entered_s=at_s)
