"""Which rules hold for a package: its class, the shop's own rules for that class, and its own limit."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.consumables.classes import ConsumableClass, class_named, consumable_classes
from monitor.consumables.exposure_limits import (
    AS_THE_CODE,
    ClockRules,
    clock_rules,
    rules_by_class,
)
from monitor.consumables.materials import SorptionData, sorption_data
from monitor.consumables.run_off import WIRES
from monitor.model.data_tables import Table
from monitor.model.declared_shop import DeclaredShop
from monitor.model.errors import Fault, InputError
from monitor.model.shop_rule import ClassRule, ShopRule

HEATED_KINDS = frozenset({"oven", "quiver"})


@dataclass(frozen=True, slots=True)
class Speaking:
    """For how long what was read is still taken as known; from `shared/readings.toml`."""

    derived_points: float  # of a zone's kept air
    most_s: float  # however seldom it is kept
    at_entry_s: float  # told as that of an entry's moment
    at_start_s: float  # taken for a body that is watched anew


def speaking_from(data: Mapping[str, Any]) -> Speaking:
    """Read the file; InputError names every fault."""
    table = Table(data, "readings")

    def seconds(name: str) -> float:
        return table.sourced(name, "s", 1.0, 86_400.0).value

    found = Speaking(
        derived_points=table.sourced("derived_points", "points", 1.0, 100.0).value,
        most_s=seconds("most_s"),
        at_entry_s=seconds("at_entry_s"),
        at_start_s=seconds("at_start_s"),
    )
    table.finish()
    return found


@dataclass(frozen=True, slots=True)
class RuleBook:
    """Every class with its rules, as one shop works with them."""

    classes: Mapping[str, ConsumableClass]
    sorption: SorptionData
    by_class: Mapping[str, ShopRule]
    usual: ShopRule
    reading_speaks_s: float
    check_speaks_s: float
    limit_h: Mapping[str, float] = field(default_factory=dict)  # by package
    speaks_s: Mapping[str, float] = field(default_factory=dict)  # by heated zone
    metal_spools: frozenset[str] = frozenset()
    seismic_work: bool = True

    def rules_for(self, package: str, consumable: str, spool: str = "") -> ClockRules:
        """The rules of one package; InputError for an unknown class or a rule that cannot stand.

        Wire of which nobody said on what it is wound counts as wound on plastic.
        """
        rule = self.by_class.get(consumable, self.usual)
        own_h = self.limit_h.get(package)
        if own_h is not None and (rule.limit_h is None or own_h < rule.limit_h):
            rule = rule.model_copy(update={"limit_h": own_h})
        known = class_named(self.classes, consumable)
        rules = clock_rules(known, rule, self.sorption.parameters(), reading_speaks_s=self.reading_speaks_s)
        return replace(
            rules,
            check_speaks_s=self.check_speaks_s,
            speaks_s=self.speaks_s,
            seismic_work=self.seismic_work,
            stands_heat=known.kind not in WIRES or spool in self.metal_spools,
        )


def rule_book(
    shop: DeclaredShop,
    consumables: Mapping[str, Any],
    sorption: Mapping[str, Any],
    metal_spools: frozenset[str] = frozenset(),
    *,
    derived_every_s: float,
    speaking: Speaking,
) -> RuleBook:
    """The book of a shop, whose air is kept every `derived_every_s`. InputError for faults.

    `consumables` and `sorption` are the reference files.
    """
    classes = consumable_classes(consumables)
    due_frac = shop.limits.exposure_due_frac
    usual = ShopRule(use_first_frac=min(AS_THE_CODE.use_first_frac, due_frac), due_frac=due_frac)
    book = RuleBook(
        classes=classes,
        sorption=sorption_data(sorption),
        by_class=rules_by_class((_with_usual(rule, due_frac) for rule in shop.shop_rules), classes),
        usual=usual,
        reading_speaks_s=air_speaks_s(shop, derived_every_s, speaking),
        limit_h={p.id: p.shop_limit_h for p in shop.packages if p.shop_limit_h is not None},
        check_speaks_s=shop.limits.check_speaks_s,
        speaks_s=_speaks_s(shop, derived_every_s),
        metal_spools=metal_spools,
        seismic_work=shop.limits.seismic_work,
    )
    faults = [
        Fault(f"shop rule for {name}: document", "nothing", "a rule looser than the code names its document")
        for name, rule in book.by_class.items()
        if book.rules_for("", name).shop_is_looser and not rule.document.strip()
    ]
    if faults:
        raise InputError(faults)
    return book


def air_speaks_s(shop: DeclaredShop, derived_every_s: float, speaking: Speaking, zone: str = "") -> float:
    """For how long the kept air of a zone is taken as known after each of its points."""
    usual_s = min(speaking.derived_points * derived_every_s, speaking.most_s)
    return _speaks_s(shop, derived_every_s).get(zone, usual_s)


def _speaks_s(shop: DeclaredShop, derived_every_s: float) -> dict[str, float]:
    """A heated zone's air is kept at its sensor's own times and speaks until that counts as silent."""
    heated = {zone.id for zone in shop.zones if zone.kind in HEATED_KINDS}
    found: dict[str, float] = {}
    for sensor in shop.sensors:
        if sensor.zone in heated:
            speaks_s = sensor.stale_after_s + derived_every_s  # kept at most so much later
            found[sensor.zone] = max(speaks_s, found.get(sensor.zone, 0.0))
    return found


def _with_usual(rule: ClassRule, usual_due_frac: float) -> ClassRule:
    """The rule with the shop's planning limits where it names none of its own."""
    due_frac = rule.due_frac if "due_frac" in rule.model_fields_set else usual_due_frac
    first_frac = rule.use_first_frac
    if "use_first_frac" not in rule.model_fields_set:
        first_frac = min(first_frac, due_frac)
    return rule.model_copy(update={"due_frac": due_frac, "use_first_frac": first_frac})
