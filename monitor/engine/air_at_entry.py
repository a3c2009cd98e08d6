"""Tells what was measured and counted at one moment: air, a package's clock, steel and cylinder."""

from monitor.consumables.rule_book import speaking_from
from monitor.consumables.verdict import package_verdict
from monitor.core.derived_series import ZONE
from monitor.engine.derivation import Deriver
from monitor.engine.stored_air import nearest
from monitor.history.entries import Seen
from monitor.model.event import Event
from monitor.model.reading import Quantity, SeriesKey
from monitor.physics.saturation import dew_point_from_rh_c
from monitor.settings.reference import load_toml
from monitor.store.contract import Ledger, SeriesStore


class Observer:
    """Reads the stored series and the ledger; nothing is remembered."""

    def __init__(self, series: SeriesStore, ledger: Ledger, deriver: Deriver) -> None:
        self._series = series
        self._ledger = ledger
        self._deriver = deriver
        self._speaks_s = speaking_from(load_toml("readings.toml")).at_entry_s

    def seen(
        self, time_s: float, *, package: str = "", zone: str = "", cylinder: str = "", plate: str = ""
    ) -> Seen:
        """What was known then; what was not is None. Without a zone, where the package lay."""
        clocked = Seen() if not package else self._clocked(package, time_s)
        zone = zone or clocked.zone
        warm, damp, dew = (
            self._number(SeriesKey(zone, ZONE, quantity), time_s)
            for quantity in (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY, Quantity.DEW_POINT)
        )
        if dew is None and warm is not None and damp is not None:
            dew = dew_point_from_rh_c(warm, damp)
        return Seen(
            zone=zone,
            air_temperature_c=warm,
            rh_frac=damp,
            dew_point_c=dew,
            open_s=clocked.open_s,
            weighted_s=clocked.weighted_s,
            unknown_s=clocked.unknown_s,
            used_frac=clocked.used_frac,
            uptake_frac=clocked.uptake_frac,
            standing=clocked.standing,
            cylinder_margin_k=self._margin(cylinder, time_s),
            plate_margin_k=self._margin(plate, time_s),
        )

    def _clocked(self, package: str, time_s: float) -> Seen:
        history = self._deriver.declared.package(package, self._told_of(package)).history
        if history is None:
            return Seen()
        zone = next((s.zone for s in reversed(history.stays) if s.start_s <= time_s), None) or ""
        checks = {zone: self._deriver.declared.store(self._told_of(zone)).checks} if zone else {}
        facts = self._deriver.package_facts(history, checks)
        clock = self._deriver.clock(facts, time_s)
        if clock is None:
            return Seen(zone=zone)
        verdict = package_verdict(clock, facts.rules)
        return Seen(
            zone=zone,
            open_s=clock.open_s,
            weighted_s=clock.weighted_s,
            unknown_s=clock.unknown_s,
            used_frac=verdict.used_frac,
            uptake_frac=None if verdict.uptake is None else verdict.uptake.of_reference_frac,
            standing=str(verdict.standing),
        )

    def _margin(self, body: str, time_s: float) -> float | None:
        if not body:
            return None
        history = self._deriver.declared.body(body, self._told_of(body)).history
        if history is None:
            return None
        zones = [s.zone for s in history.stands if s.start_s is None or s.start_s <= time_s]
        return self._number(SeriesKey(zones[-1], body, Quantity.MARGIN), time_s) if zones else None

    def _number(self, key: SeriesKey, time_s: float) -> float | None:
        return nearest(self._series, key, time_s, self._speaks_s) if key.zone else None

    def _told_of(self, subject: str) -> list[Event]:
        return self._ledger.events(subject=subject)
