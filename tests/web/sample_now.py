"""Pictures of the sample yard: a wet morning before the day shift, and a dry one."""

from dataclasses import replace
from datetime import datetime

import numpy as np

from monitor.consumables.run_off import RunOffGuide
from monitor.model.air import AirState
from monitor.model.level import Level
from monitor.model.picture import (
    ActionNow,
    AlarmNow,
    BodyNow,
    PackageNow,
    Part,
    Picture,
    ShiftNow,
    Wait,
    ZoneNow,
)
from monitor.model.sensor import SensorHealth, SensorStatus
from tests.web.sample_shop import LEAD, NOW_S, TZ, WEEK_S
from tests.web.sample_week import dew_point


def _air(temperature_c: float, humidity_frac: float) -> AirState:
    dew_c = float(dew_point(np.array(temperature_c), np.array(humidity_frac)))
    return AirState(NOW_S - 20, temperature_c, humidity_frac, dew_c, dew_c, 1_400.0, 10.5, 0.0087, 14.0, 0.4)


def _good(*sensors: str) -> tuple[SensorHealth, ...]:
    return tuple(SensorHealth(s, SensorStatus.GOOD, "", NOW_S - WEEK_S, NOW_S - 40) for s in sensors)


def _wait(hours: float | None, reason: str = "in reach") -> Wait:
    return Wait(hours, reason, None if not hours else hours * 0.8, None if not hours else hours * 1.3)


def _body(id_: str, name: str, kind: str, zone: str, level: Level, margin_k: float, action: str) -> BodyNow:
    wet = margin_k <= 0
    return BodyNow(
        id_,
        name,
        kind,
        zone,
        level,
        "sweating" if wet else "close to dew point" if level is Level.CAUTION else "clear of dew point",
        NOW_S - (3_300 if wet else 5_000),
        action,
        11.2,
        margin_k,
        0.5,
        0.97 if wet else 0.22 if level is Level.CAUTION else 0.01,
        14.0 if wet else 0.0,
        _wait(1.6 if wet else 0.0),
        _wait(2.9, "in reach"),
        _wait(3.4 if wet else 0.0),
    )


CLOTH = (
    "Leave them shut. Wipe outlet and seat with a clean dry cloth before fitting the regulator. "
    "Never heat a cylinder."
)
DOOR = "Keep the bay door shut until 09:00 and warm the joint past the sweat stage before welding."


def run_off() -> dict[str, RunOffGuide]:
    """The package that is over is a wire whose outer wraps are to be run off."""
    guide = RunOffGuide(
        why="Its open hours are used up; of the water it took up, most is in the outer wraps.",
        steps=(
            "Run off the outer 3 layers or so into the scrap bin: about 15 minutes (common practice).",
            "Weld a test bead on scrap from the same rack. Chip it and look under the slag for pores.",
            "Not sound: run off another layer and weld another bead. Two in a row not sound: withdraw it.",
            "Sound: keep it off seismic work and ask the inspector before it goes back on the job.",
        ),
        estimate="Estimate: 3 damp layers (16 min, 1.1 kg), at most 6. The test bead decides.",
        grounds=("15 min: about a quarter of an hour cleared the outer wraps (common practice).",),
    )
    return {"spool-7": guide}


def wet_morning() -> Picture:
    """Twelve minutes before the day shift: cylinders sweat, plates are close, one package is over."""
    hour = 3_600.0
    zones = (
        ZoneNow(
            "slip-bay",
            "Slip Bay",
            "ferrymoor",
            "bay",
            Level.CAUTION,
            "humid: 86 %RH",
            NOW_S - 4 * hour,
            _air(15.2, 0.86),
            (
                *_good("slip-1", "slip-2"),
                SensorHealth(
                    "slip-3",
                    SensorStatus.OUT_OF_SPECIFICATION,
                    "disagrees with slip-1 by 6 %RH",
                    NOW_S - 2 * hour,
                    NOW_S - 40,
                ),
            ),
        ),
        ZoneNow(
            "panel-hall",
            "Panel Hall",
            "ferrymoor",
            "hall",
            Level.SAFE,
            "within limits",
            NOW_S - 60 * hour,
            _air(17.4, 0.74),
            _good("panel-1", "panel-2", "panel-3"),
        ),
        ZoneNow(
            "wire-store",
            "Wire Store",
            "ferrymoor",
            "store",
            Level.SAFE,
            "within limits",
            NOW_S - 90 * hour,
            _air(19.6, 0.55),
            (
                *_good("wire-1"),
                SensorHealth(
                    "wire-2",
                    SensorStatus.MAINTENANCE_REQUIRED,
                    "calibration due since 1 Sep",
                    NOW_S - 30 * hour,
                    NOW_S - 40,
                ),
            ),
        ),
        ZoneNow(
            "gas-cage",
            "Gas Cage",
            "ferrymoor",
            "cage",
            Level.DANGER,
            "very humid: 95 %RH",
            NOW_S - 0.9 * hour,
            _air(12.9, 0.95),
            _good("gas-1"),
        ),
        ZoneNow(
            "plate-yard",
            "Plate Yard",
            "ferrymoor",
            "yard",
            Level.UNKNOWN,
            "no believable reading for 34 min",
            NOW_S - 2_040,
            None,
            (
                SensorHealth(
                    "plate-1", SensorStatus.FAILURE, "no reading for 34 min", NOW_S - 2_040, NOW_S - 2_040
                ),
            ),
        ),
        ZoneNow(
            "slipway-mast",
            "Slipway Mast",
            "ferrymoor",
            "outdoor",
            Level.CAUTION,
            "fog: 98 %RH",
            NOW_S - 3 * hour,
            _air(12.1, 0.98),
        ),
    )
    deck = _body("deck-12", "Deck plate 12 mm", "plate", "plate-yard", Level.UNKNOWN, 0.0, "Wipe it and see.")
    not_known = Wait(None, "unknown")
    bodies = (
        *(
            _body(f"mix-{n}", f"Mix {n}", "cylinder", "gas-cage", Level.DANGER, -1.2 - 0.1 * n, CLOTH)
            for n in range(1, 7)
        ),
        _body("keel-25", "Keel plate 25 mm", "plate", "slip-bay", Level.CAUTION, 1.1, DOOR),
        _body("co2-1", "CO₂ 1", "cylinder", "slip-bay", Level.SAFE, 3.9, ""),
        _body("panel-8", "Panel 8 mm", "plate", "panel-hall", Level.SAFE, 4.8, ""),
        replace(
            deck,
            reason="no air reading for 34 min",
            margin_k=None,
            skin_temperature_c=None,
            wet_probability_frac=None,
            water_film_gm2=None,
            to_dry=not_known,
            to_dew_point=not_known,
            to_margin=not_known,
        ),
    )
    rule = "72 h out of its package, seismic supplement (published, second-hand)"
    packages = (
        PackageNow(
            "spool-7",
            "Spool 7",
            "cored-wire-h8",
            "slip-bay",
            Level.DANGER,
            "over",
            rule,
            "Keep it off seismic work. Run off the outer wraps, weld a test bead, ask the inspector.",
            74.5,
            72.0,
            96.0,
            0.8,
            2.0,
            True,
        ),
        PackageNow(
            "spool-12",
            "Spool 12",
            "cored-wire-h8",
            "slip-bay",
            Level.CAUTION,
            "use first",
            rule,
            "Use it this shift, or bag it with fresh desiccant by 14:00.",
            61.0,
            72.0,
            80.0,
            0.6,
            0.0,
            True,
        ),
        PackageNow(
            "rods-3",
            "Rods 3 (quiver)",
            "covered-e7018",
            "panel-hall",
            Level.CAUTION,
            "due",
            "4 h in open air, column A (published, second-hand)",
            "Back to the holding oven by 07:10.",
            2.7,
            4.0,
            2.7,
            None,
            0.0,
            True,
        ),
        *(
            PackageNow(
                f"spool-{n}",
                f"Spool {n}",
                "cored-wire-h8",
                "wire-store",
                Level.SAFE,
                "usable",
                rule,
                "",
                6.0 * k,
                72.0,
                5.0 * k,
                0.1,
                0.0,
                False,
            )
            for k, n in enumerate((14, 15, 16, 18), start=1)
        ),
    )
    day = datetime(2026, 9, 18, 6, 0, tzinfo=TZ).timestamp()
    shifts = (
        ShiftNow(
            "Day",
            "ferrymoor",
            day,
            day + 8 * hour,
            Level.DANGER,
            0.92,
            "gas and steel wet until about 09:00",
            day,
        ),
        ShiftNow(
            "Late",
            "ferrymoor",
            day + 8 * hour,
            day + 16 * hour,
            Level.CAUTION,
            0.35,
            "humid air comes back after sunset",
            day + 15 * hour,
        ),
        ShiftNow(
            "Saturday",
            "ferrymoor",
            day + 25 * hour,
            day + 30 * hour,
            Level.UNKNOWN,
            None,
            "no forecast for it yet",
        ),
    )
    actions = (
        ActionNow("door", "Keep the Slip Bay door shut until 09:00.", day, 0.30),
        ActionNow(
            "plates", "Bring tomorrow's plate and cylinders in, stand plate apart.", day + 15 * hour, 0.45
        ),
        ActionNow("bag", "Bag the two spools on the feeders.", day - 2 * hour, None, done=True),
    )
    began_s = NOW_S - 0.9 * hour
    alarms = (
        *(
            AlarmNow(
                f"body_wet.mix-{n}",
                "unacknowledged",
                "high",
                "Wet",
                f"Mix {n}, Gas Cage: 1.{2 + n} °C below the dew point since 04:58, clear about 09:15.",
                "gas-cage",
                began_s + n,
                CLOTH,
            )
            for n in range(1, 4)
        ),
        AlarmNow(
            "sensor_health.plate-1",
            "acknowledged",
            "medium",
            "Sensor not to be believed",
            "plate-1, Plate Yard: no reading since 05:18.",
            "plate-yard",
            NOW_S - 2_040,
            "Look at its power and its cable.",
            acknowledged_by=LEAD,
        ),
        AlarmNow(
            "zone_humidity_high.slip-bay",
            "returned_unacknowledged",
            "low",
            "Humid air",
            "Slip Bay was at 88 %RH at 03:10, back below the limit for a while.",
            "slip-bay",
            NOW_S - 4 * hour,
            "",
        ),
        AlarmNow(
            "sensor_health.wire-2",
            "shelved",
            "low",
            "Sensor needs calibration",
            "wire-2, Wire Store: due since 1 Sep.",
            "wire-store",
            NOW_S - 30 * hour,
            "",
            shelved_until_s=NOW_S + 20 * hour,
        ),
    )
    parts = (
        Part("Broker", ok=True, text="connected, 5 sensors a minute"),
        Part("Series store", ok=True, text="last write 12 s ago"),
        Part("Messages", ok=True, text="nothing waiting"),
        Part("Forecast", ok=False, text="no answer since 03:00, shifts beyond today are not known"),
    )
    return Picture(NOW_S - 4, zones, bodies, packages, alarms, shifts, actions, parts, simulated=True)


def calm() -> Picture:
    """Everything dry."""
    full = wet_morning()
    zones = tuple(
        replace(
            z,
            level=Level.SAFE,
            reason="within limits",
            air=_air(18.0, 0.5),
            sensors=_good(*(s.sensor for s in z.sensors)),
        )
        for z in full.zones
    )
    bodies = tuple(_body(b.id, b.name, b.kind, b.zone, Level.SAFE, 6.0, "") for b in full.bodies)
    packages = tuple(p for p in full.packages if p.level is Level.SAFE)
    shifts = tuple(replace(s, level=Level.SAFE, probability_frac=0.03, reason="dry") for s in full.shifts)
    parts = tuple(replace(p, ok=True, text="working") for p in full.parts)
    return Picture(NOW_S, zones, bodies, packages, (), shifts, (), parts)
