"""The shop as its settings declare it: places, devices, things, people and the limits they work by."""

from typing import Annotated

from pydantic import Field

from monitor.model.device import Sensor
from monitor.model.limits import Limits
from monitor.model.place import Site, Zone
from monitor.model.section import Section
from monitor.model.shop_rule import ClassRule
from monitor.model.staff import OnCall, Person, Shift
from monitor.model.thing import Cylinder, Package, Plate


class DeclaredShop(Section):
    """Every noun of the shop; the settings are this and how the service runs."""

    limits: Limits = Limits()
    sites: Annotated[tuple[Site, ...], Field(min_length=1)]
    zones: Annotated[tuple[Zone, ...], Field(min_length=1)]
    sensors: tuple[Sensor, ...] = ()
    cylinders: tuple[Cylinder, ...] = ()
    plates: tuple[Plate, ...] = ()
    packages: tuple[Package, ...] = ()
    shop_rules: tuple[ClassRule, ...] = ()
    shifts: tuple[Shift, ...] = ()
    people: tuple[Person, ...] = ()
    on_call: tuple[OnCall, ...] = ()
