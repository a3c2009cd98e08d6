"""Which conditions a shop gets from its settings."""

import pytest

from monitor.alarms.catalogue import Priority
from monitor.alarms.conditions import ConditionSubject
from monitor.alarms.shop_conditions import package_conditions, shift_condition, shop_conditions
from monitor.model.device import Measure, Sensor
from monitor.model.limits import Limits
from monitor.model.place import Site, Zone
from monitor.model.reading import Quantity
from monitor.model.thing import Cylinder, Plate
from monitor.settings.schema import Settings
from tests.alarms.shop import catalogue


def sensor(name: str, zone: str) -> Sensor:
    return Sensor(id=name, zone=zone, measures=(Measure(quantity=Quantity.AIR_TEMPERATURE, unit="Cel"),))


YARD = Settings(
    sites=(Site(id="ferrymoor", name="Ferrymoor Slipway", timezone="Europe/London"),),
    zones=(
        Zone(id="slip-bay", site="ferrymoor", name="Slip Bay", kind="bay"),
        Zone(
            id="panel-hall",
            site="ferrymoor",
            name="Panel Hall",
            max_relative_humidity_frac=0.65,
            max_dew_point_c=16.0,
        ),
        Zone(id="wire-store", site="ferrymoor", name="Wire Store", kind="store"),
        Zone(id="rod-oven", site="ferrymoor", name="Rod oven", kind="oven", min_temperature_c=125.0),
        Zone(id="plate-yard", site="ferrymoor", name="Plate Yard", kind="yard"),
        Zone(id="gas-cage", site="ferrymoor", name="Gas Cage", kind="cage"),
    ),
    sensors=tuple(
        sensor(f"s-{n}", zone)
        for n, zone in enumerate(("slip-bay", "panel-hall", "wire-store", "rod-oven", "plate-yard"))
    ),
    cylinders=(Cylinder(id="argon-3", zone="gas-cage", name="Argon 3"),),
    plates=(Plate(id="deck-plate", zone="plate-yard", name="Deck plate", thickness_m=0.012),),
    limits=Limits(margin_caution_k=4.0),
)
MADE = {c.id: c for c in shop_conditions(catalogue(), YARD)}


def test_the_yard_gets_these_conditions_and_no_others() -> None:
    assert sorted(MADE) == sorted(
        [
            "zone_humidity_high.slip-bay",
            "zone_dew_point_rising.slip-bay",
            "zone_humidity_high.panel-hall",
            "zone_dew_point_high.panel-hall",
            "zone_dew_point_rising.panel-hall",
            "storage_humid.wire-store",
            "desiccant_due.wire-store",
            "storage_below_minimum.rod-oven",
            *(f"{kind}.argon-3" for kind in ("body_margin_low", "body_wet", "body_time_to_wet")),
            *(f"{kind}.deck-plate" for kind in ("body_margin_low", "body_wet", "body_time_to_wet")),
            *(f"sensor_health.s-{n}" for n in range(5)),
            "zone_unwatched.slip-bay",
            "zone_unwatched.panel-hall",
            "zone_unwatched.wire-store",
            "zone_unwatched.rod-oven",
            "zone_unwatched.plate-yard",
            "zone_unwatched.gas-cage",
            "broker_away.service",
            "store_behind.service",
            "warnings_undeliverable.service",
            "record_contradicted.service",
        ]
    )


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("zone_humidity_high.slip-bay", 0.70),
        ("zone_humidity_high.panel-hall", 0.65),
        ("zone_dew_point_high.panel-hall", 16.0),
        ("storage_below_minimum.rod-oven", 125.0),
        ("body_margin_low.argon-3", 4.0),
        ("body_wet.argon-3", 0.0),
    ],
)
def test_the_settings_limits_are_the_conditions_limits(name: str, limit: float) -> None:
    assert MADE[name].limit == limit


def test_a_humidity_limit_the_shop_set_itself_matters_more_than_the_usual_one() -> None:
    assert MADE["zone_humidity_high.panel-hall"].priority is Priority.MEDIUM
    assert MADE["zone_humidity_high.slip-bay"].priority is Priority.LOW


def test_cylinder_and_plate_get_their_own_response() -> None:
    assert MADE["body_wet.argon-3"].response == "cylinder_wet"
    assert MADE["body_wet.deck-plate"].response == "plate_wet"


def test_what_cannot_be_known_of_a_body_is_its_zones_blindness() -> None:
    assert MADE["body_wet.argon-3"].unwatched_id == "zone_unwatched.gas-cage"


def test_packages_and_shifts_come_and_go_with_their_own_limits() -> None:
    package = ConditionSubject("rods-7", "slip-bay", "ferrymoor")
    due, over, left_open = package_conditions(catalogue(), package, YARD.limits)
    assert (due.limit, over.limit, left_open.limit) == (YARD.limits.exposure_due_frac, 1.0, 0.0)
    shift = shift_condition(catalogue(), ConditionSubject("early-monday", "", "ferrymoor"), 0.4)
    assert shift.limit == 0.4
