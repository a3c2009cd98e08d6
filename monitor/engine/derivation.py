"""Derives from the ledger's events and the stored air what the core needs to know of every thing."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import get_args

import numpy as np

from monitor.consumables.exposure_clock import ExposureClock, clock_over
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.rule_book import speaking_from
from monitor.core.derived_series import ZONE
from monitor.core.shop import Shop, StoreFacts, Suppositions
from monitor.core.supposed import Held, air_of, between, carried, course_of
from monitor.core.zone_air import Sample
from monitor.engine.build import book_of, cylinder_facts, package_facts, plate_facts
from monitor.engine.stored_air import StoredAir, nearest
from monitor.history.body_history import BodyHistory
from monitor.history.entries import CylinderDelivered, PlateBroughtIn
from monitor.history.package_history import PackageHistory
from monitor.history.shop_history import declared_things
from monitor.history.store_history import StoreHistory, StoreReading, desiccant_lasts
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.thing import Cylinder, Plate, used_by_a_shift
from monitor.physics.bodies import body_data
from monitor.physics.lag import start_state
from monitor.physics.placed_body import BodyFacts
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore

BODY_STEP_S = 300.0
HOUR_S = 3_600.0
DAY_S = 86_400.0


class Deriver:
    """Knows a shop's settings and stored air; remembers nothing of its things."""

    def __init__(self, settings: Settings, series: SeriesStore) -> None:
        self.settings = settings
        self.book = book_of(settings)
        self.zones = {zone.id: zone for zone in settings.zones}
        self._series = series
        self._bodies = body_data(load_toml("bodies.toml"))
        self._near_s = speaking_from(load_toml("readings.toml")).at_start_s
        self._desiccant_days = desiccant_lasts(load_toml("stores.toml")).value
        self.declared = declared_things(settings)
        self._declared_bodies: dict[str, Cylinder | Plate] = {
            **{cylinder.id: cylinder for cylinder in settings.cylinders},
            **{plate.id: plate for plate in settings.plates},
        }
        self._outdoor = {zone.site: zone.id for zone in settings.zones if zone.kind == "outdoor"}

    @property
    def gases(self) -> tuple[str, ...]:
        """The gases that a cylinder can hold here."""
        return get_args(Cylinder.model_fields["gas"].annotation)

    def package_facts(
        self, history: PackageHistory, checks: Mapping[str, Sequence[StoreReading]]
    ) -> PackageFacts:
        """A package as the core sees it; InputError for an unknown class or a rule that cannot stand."""
        return package_facts(history, self.book, checks)

    def store_facts(self, zone: str, history: StoreHistory) -> StoreFacts:
        """A storage place as the core sees it."""
        days = self.zones[zone].desiccant_days or self._desiccant_days
        last = history.checks[-1] if history.checks else StoreReading(0.0)
        return StoreFacts(
            checked_s=last.time_s if history.checks else None,
            checked_c=last.temperature_c,
            checked_rh_frac=last.rh_frac,
            speaks_s=self.settings.limits.check_speaks_s,
            desiccant_due_s=history.desiccant_due_s(days * DAY_S),
        )

    def clock(
        self, facts: PackageFacts, until_s: float, air: StoredAir | None = None
    ) -> ExposureClock | None:
        """The clock of a package as its history and the stored air tell it; None before it was opened."""
        if until_s < facts.opened_s:
            return None
        stays = [stay for stay in facts.stays if stay.start_s <= until_s]
        happenings = [event for event in facts.happenings if event.time_s <= until_s]
        air = air or StoredAir(self._series)
        return clock_over(stays, air.samples, facts.rules, until_s, happenings)

    def body_facts(self, history: BodyHistory) -> BodyFacts:
        """A body as the core sees it."""
        made = history.made
        if isinstance(made, CylinderDelivered):
            sizes = {**self._bodies.cylinders["usual"], **self._bodies.cylinders.get(made.gas, {})}
            names = {"id": history.id, "zone": history.zone, "name": history.name, "gas": made.gas}
            facts = cylinder_facts(Cylinder.model_validate({**names, **sizes}), self._bodies)
        elif isinstance(made, PlateBroughtIn):
            facts = plate_facts(self._plate(history, made), self._bodies)
        else:
            declared = self._declared_bodies[history.id]
            if isinstance(declared, Cylinder):
                facts = cylinder_facts(declared, self._bodies)
            else:
                facts = plate_facts(declared, self._bodies)
        kind = self.zones[history.zone].kind if history.zone in self.zones else ""
        used = history.kind != "cylinder" or used_by_a_shift(history.use, kind, facts.work_zone)
        present, came = history.present, made is not None
        return replace(facts, zone=history.zone, present=present, brought_in=came, used=used)

    def _plate(self, history: BodyHistory, made: PlateBroughtIn) -> Plate:
        fields: dict[str, object] = {
            "id": history.id,
            "zone": history.zone,
            "name": history.name,
            "thickness_m": made.thickness_m,
            "width_m": made.width_m,
            "length_m": made.length_m,
            "faces": made.faces,
            "stacked": made.stacked,
        }
        return Plate.model_validate(fields)

    def body_state(self, history: BodyHistory, facts: BodyFacts, shop: Shop, until_s: float) -> Held:
        """The body after the air it stood in since it came, as far as it remembers; no state: not known."""
        oldest_s = until_s - self._bodies.memory_h * HOUR_S
        came_s = history.came_s
        start_s = oldest_s if came_s is None or came_s < oldest_s else came_s
        air = StoredAir(self._series)
        held = self._start(history, facts, shop.supposed, start_s, air)
        for n, stand in enumerate(history.stands):
            next_s = history.stands[n + 1].start_s if n + 1 < len(history.stands) else until_s
            end_s = until_s if next_s is None else min(next_s, until_s)
            begin_s = start_s if stand.start_s is None else max(stand.start_s, start_s)
            if end_s >= begin_s and stand.zone in shop.zones:  # of a place that is gone nothing is known
                samples = thinned(air, stand.zone, begin_s, end_s)
                held = carried(course_of(shop, facts, air_of(shop, stand.zone, samples)), held)
        return held

    def _start(
        self, history: BodyHistory, facts: BodyFacts, rules: Suppositions, start_s: float, air: StoredAir
    ) -> Held:
        """A body comes in at the temperature it was entered with, else anywhere down to the coldest known."""
        made = history.made
        if made is None or start_s != history.came_s:
            skin = SeriesKey(_zone_at(history, start_s), history.id, Quantity.SKIN_TEMPERATURE)
            temperature_c = nearest(self._series, skin, start_s, self._near_s)
        elif made.start_temperature_c is None:
            return self._between(history.stands[0].zone, facts, rules, start_s, air)
        else:
            temperature_c = made.start_temperature_c
        if temperature_c is None:
            return Held(None)
        return Held(
            start_state(facts.body, start_s, temperature_c, temperature_std_k=self._bodies.brought_in_std_k)
        )

    def _between(
        self, zone: str, facts: BodyFacts, rules: Suppositions, start_s: float, air: StoredAir
    ) -> Held:
        """From the coldest outdoor air of the last days (its own, where none is known) to the warmest now."""
        known = self.zones.get(zone)
        outdoor = None if known is None else self._outdoor.get(known.site)
        places = [place for place in (outdoor, zone) if place is not None]
        key = Quantity.AIR_TEMPERATURE
        now = [nearest(self._series, SeriesKey(place, ZONE, key), start_s, self._near_s) for place in places]
        warm = [celsius for celsius in now if celsius is not None]
        if not warm:
            return Held(None)
        found = air.samples(places[0], start_s - rules.look_back_h * HOUR_S, start_s)
        known_s = float(np.ptp(found.times_s)) if found.times_s.size else 0.0
        coldest = [*warm, *found.temperature_c.tolist()]
        if known_s < rules.whole_day_h * HOUR_S:
            coldest.append(max(warm) - rules.brought_in_k)
        return between(facts.body, start_s, min(coldest), max(warm))


def _zone_at(history: BodyHistory, time_s: float) -> str:
    zones = [stand.zone for stand in history.stands if stand.start_s is None or stand.start_s <= time_s]
    return zones[-1] if zones else history.stands[0].zone


def thinned(air: StoredAir, zone: str, start_s: float, end_s: float) -> tuple[Sample, ...]:
    """A zone's air at most every few minutes, which is enough for what has an hour's time constant."""
    found = air.samples(zone, start_s, end_s)
    kept: list[Sample] = []
    columns = found.times_s.tolist(), found.temperature_c.tolist(), found.rh_frac.tolist()
    for row in zip(*columns, strict=True):
        wanted = not kept or row[0] - kept[-1].time_s >= BODY_STEP_S or row[0] == columns[0][-1]
        if wanted and row[2] == row[2]:
            kept.append(Sample(*row))
    return tuple(kept)
