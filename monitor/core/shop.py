"""The unchanging description of the shop that the core is given: no settings file, no reference file."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import time
from functools import cached_property
from typing import Any, TypeVar

from monitor.alarms.catalogue import Catalogue
from monitor.alarms.conditions import Condition
from monitor.alarms.roster import Roster
from monitor.alarms.wording import Wording
from monitor.consumables.classes import Place
from monitor.consumables.package_facts import PackageFacts
from monitor.model.data_tables import Table
from monitor.model.limits import Limits
from monitor.model.place import Zone
from monitor.outlook.shifts import ShiftPlan
from monitor.outlook.telling import Telling
from monitor.physics.placed_body import BodyFacts
from monitor.sensors.quality_rules import SensorRules

GONE = "gone"  # the kind of a zone that the settings do not name any more
NOWHERE = "nowhere"  # where a thing lies of which no zone was entered


@dataclass(frozen=True, slots=True)
class StoreFacts:
    """What people have entered about a storage place: their last reading of it, and its desiccant."""

    checked_s: float | None = None
    checked_c: float | None = None
    checked_rh_frac: float | None = None
    speaks_s: float = Limits().check_speaks_s  # how long that reading stands where no sensor does
    desiccant_due_s: float | None = None


class ZoneFacts(Zone):
    """A zone as declared, with what follows of it: left-out figures filled in, entries added."""

    pressure_pa: float  # of the station
    sky_view_frac: float = 0.0  # how much of an open sky its bodies see
    store: StoreFacts = StoreFacts()


Thing = TypeVar("Thing", BodyFacts, PackageFacts)


@dataclass(frozen=True, slots=True)
class Suppositions:
    """How much colder than known air what was not measured or entered is supposed to be."""

    standing_k: float  # a body that has stood there, below the first air heard
    brought_in_k: float  # one that came in without a temperature, below the air
    swing_k: float  # air that was not heard for `swing_in_h` or longer, below its warmer side
    swing_in_h: float
    look_back_h: float  # over which the coldest known air is looked for
    whole_day_h: float  # a shorter record does not show how cold it gets
    wet_odds_frac: float  # a body whose odds of being wet are above it is not safe


@dataclass(frozen=True, slots=True)
class RestRules:
    """When people are at work around their shifts; from `shared/working_hours.toml`."""

    before_shift_h: float  # whoever comes in wants to know before the first arc is struck
    leaving_h: float  # what is to be put away is put away so long before the end
    break_h: float  # a shorter pause between two shifts is no rest
    look_h: float  # a site whose next shift lies further off is one whose shifts are not known


def rest_rules(data: Mapping[str, Any]) -> RestRules:
    """Read the rules; InputError names every fault."""
    table = Table(data, "working_hours")

    def hours(name: str, most_h: float) -> float:
        return table.sourced(name, "h", 0.0, most_h).value

    found = RestRules(
        before_shift_h=hours("before_shift_h", 12.0),
        leaving_h=hours("leaving_h", 12.0),
        break_h=hours("break_h", 12.0),
        look_h=hours("look_h", 1_000.0),
    )
    table.finish()
    return found


@dataclass(frozen=True)  # without slots, so that what follows from it is worked out once
class Shop:
    """Everything the core knows beforehand; `fresh_s` is how long a zone's last air speaks for it."""

    tick_s: float
    derived_every_s: float
    fresh_s: Mapping[str, float]
    zones: Mapping[str, ZoneFacts]
    sensors: Mapping[str, SensorRules]
    peers: Mapping[str, tuple[SensorRules, ...]]  # by sensor: the others in its air
    judged_to_c: float  # in hotter air (an oven, a broken sensor) humidity is neither judged nor used
    bodies: Mapping[str, BodyFacts]
    packages: Mapping[str, PackageFacts]
    limits: Limits
    shift_odds_frac: float  # from which a humid shift ahead is told
    supposed: Suppositions
    telling: Telling  # of shifts ahead
    rest: RestRules
    catalogue: Catalogue
    conditions: tuple[Condition, ...]
    shifts: ShiftPlan
    wordings: Mapping[str, Wording]  # by site
    roster: Roster
    channels: Mapping[str, tuple[str, ...]]  # by person
    digest_at: time | None = None  # on each site's clock
    declared_ahead: bool = False  # a demo's: packages are declared before their hour

    def holds(self, quiver: str) -> bool:
        """Whether a package lies in a quiver now."""
        return any(p.zone == quiver and p.place is Place.HEATED_QUIVER for p in self.packages.values())

    def things_in(self, zone: str) -> int:
        """How many packages and bodies lie in a zone."""
        bodies = sum(one.zone == zone and one.present for one in self.bodies.values())
        return bodies + sum(one.zone == zone and not one.withdrawn for one in self.packages.values())

    def sensors_of(self, zone: str) -> tuple[SensorRules, ...]:
        """The zone's sensors, in order of id."""
        return self._by_zone.get(zone, ())

    @cached_property
    def place_of_sensor(self) -> Mapping[str, int]:
        """Where each sensor stands in the order of the settings."""
        return {name: place for place, name in enumerate(self.sensors)}

    @cached_property
    def longest_fresh_s(self) -> float:
        """How long the last air of any zone in use, that has a sensor, speaks for it."""
        used = (one.zone for one in self.sensors.values() if self.zones[one.zone].in_use)
        return max((self.fresh_s[zone] for zone in used), default=0.0)

    @cached_property
    def _by_zone(self) -> Mapping[str, tuple[SensorRules, ...]]:
        found: dict[str, tuple[SensorRules, ...]] = {}
        for name in sorted(self.sensors):
            sensor = self.sensors[name]
            found[sensor.zone] = (*found.get(sensor.zone, ()), sensor)
        return found


def with_calibrations(shop: Shop, due_s: Mapping[str, float | None]) -> Shop:
    """The shop with sensors whose next calibration falls due at another time."""

    def due(sensor: SensorRules) -> SensorRules:
        return replace(sensor, calibration_due_s=due_s.get(sensor.id, sensor.calibration_due_s))

    return replace(
        shop,
        sensors={name: due(sensor) for name, sensor in shop.sensors.items()},
        peers={name: tuple(due(one) for one in peers) for name, peers in shop.peers.items()},
    )


def with_things(
    shop: Shop,
    packages: Mapping[str, PackageFacts | None],
    bodies: Mapping[str, BodyFacts | None],
    stores: Mapping[str, StoreFacts],
) -> Shop:
    """The shop with things that came, changed or went (None), and their names known to its wordings.

    What lies in a zone that the settings do not name stays: its zone is kept as one that is gone, of whose
    air nothing is known.
    """
    kept_packages = _kept(shop.packages, packages)
    kept_bodies = _kept(shop.bodies, bodies)
    named = {name: zone for name, zone in shop.zones.items() if zone.kind != GONE}
    kept_bodies = {name: one for name, one in kept_bodies.items() if one.present or one.zone in named}
    things = [(one.id, one.name, one.zone) for one in kept_packages.values()]
    things += [(one.id, one.name, one.zone) for one in kept_bodies.values()]
    known = {name: named[name].model_copy(update={"store": store}) for name, store in stores.items()}
    gone = {zone for _, _, zone in things if zone not in named}
    names = {thing: name for thing, name, _ in things}
    return replace(
        shop,
        packages=kept_packages,
        bodies=kept_bodies,
        zones={**named, **known, **{zone: _gone(zone, shop) for zone in sorted(gone)}},
        fresh_s={**shop.fresh_s, **{zone: max(shop.fresh_s.values()) for zone in gone}},
        wordings={
            site: replace(wording, names={**wording.names, **names})
            for site, wording in shop.wordings.items()
        },
    )


def _kept(before: Mapping[str, Thing], changed: Mapping[str, Thing | None]) -> dict[str, Thing]:
    every = {**before, **changed}
    kept = {name: facts for name, facts in every.items() if facts is not None}
    return {name: facts if facts.zone else replace(facts, zone=NOWHERE) for name, facts in kept.items()}


def _gone(zone: str, shop: Shop) -> ZoneFacts:
    """A zone that things are recorded in and the settings do not name; its first site is told of it."""
    first = next(iter(shop.zones.values()))
    return ZoneFacts.model_construct(
        id=zone, name=zone, site=first.site, kind=GONE, draught_ms=0.0, pressure_pa=first.pressure_pa
    )
