"""Which hours govern a package: the code's, or a shop's own, looser only with a written reason."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from monitor.consumables.classes import (
    HOT_PLACES,
    Authority,
    ConsumableClass,
    Counts,
    Permission,
    Place,
    class_named,
)
from monitor.consumables.exposure_air import BoolArray
from monitor.model.errors import Fault, InputError
from monitor.model.limits import Limits
from monitor.model.shop_rule import ClassRule, ShopRule
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import vapour_pressure_pa
from monitor.physics.sorption import SorptionParameters

HOUR_S = 3600.0
AS_THE_CODE = ShopRule()
USUAL = Limits()  # of a shop that names none


@dataclass(frozen=True, slots=True)
class RatingLimit:
    """Air in which the permitted hours were proved; in wetter air `beyond_h` holds, if there is one."""

    vapour_pressure_pa: float
    rh_frac: float | None  # None: only the vapour pressure counts
    beyond_h: float | None
    text: str


@dataclass(frozen=True, slots=True)
class ClockRules:
    """All that the clock and the verdict of one package need to know."""

    consumable: ConsumableClass
    shop: ShopRule
    code_h: float | None
    rating: RatingLimit | None
    sorption: SorptionParameters | None
    reading_speaks_s: float
    check_speaks_s: float = USUAL.check_speaks_s  # a person's reading
    speaks_s: Mapping[str, float] = field(default_factory=dict)  # by zone, where it is otherwise: ovens
    seismic_work: bool = USUAL.seismic_work  # False: its supplement is not named; its hours stand
    stands_heat: bool = True  # False: wound on what an oven melts or chars, or nobody said on what

    def speaks_in_s(self, zone: str | None) -> float:
        """How long after it a sensor's reading in a zone is still taken as known."""
        return self.speaks_s.get(zone or "", self.reading_speaks_s)

    @property
    def shop_is_looser(self) -> bool:
        """Whether the shop works past the code's hours, which every record then says."""
        return self.shop.limit_h is not None and self.code_h is not None and self.shop.limit_h > self.code_h

    @property
    def limit_h(self) -> float | None:
        """The governing hours: the stricter of code and shop, or the shop's deviation with its reason."""
        if self.shop.limit_h is None or self.code_h is None:
            return self.code_h if self.shop.limit_h is None else self.shop.limit_h
        return self.shop.limit_h if self.shop_is_looser else min(self.shop.limit_h, self.code_h)

    def counts(self, place: Place) -> Counts:
        """What a place does to the clock; what needs somebody's written word runs on without it."""
        counts = self.consumable.care.places[place]
        if counts is not Counts.STOPS_DRY_BY_WORD:
            return counts
        return Counts.STOPS_DRY if self.shop.cabinet_permission else Counts.RUNS

    def code_hours(self, *, air_shown: bool) -> float | None:
        """The code's hours; those proved in a test's air hold only where air was shown to be no wetter."""
        beyond_h = None if self.rating is None else self.rating.beyond_h
        if self.code_h is None or beyond_h is None or air_shown:
            return self.code_h
        return min(self.code_h, beyond_h)

    @property
    def hold_restarts_clock(self) -> bool:
        """Whether a proven hold in the oven starts the count anew."""
        chosen = self.shop.hold_restarts_clock
        return self.consumable.care.hold_restarts_clock if chosen is None else chosen

    @property
    def redry_allowed(self) -> bool:
        """Whether redrying brings this package back."""
        redry = self.consumable.redry
        if redry is None or not self.stands_heat:
            return False
        return redry.permission is Permission.CODE or bool(self.shop.redry_permission)

    def hot_from_c(self, place: Place) -> float | None:
        """The temperature from which an oven or quiver protects; None: none does.

        Where the class has no holding temperature of its own, the least of its redrying is taken, and only
        where it may be redried at all: a maker's leave for wire, and a spool that stands the heat.
        """
        quiver = self.consumable.care.quiver_min_c
        if place is Place.HEATED_QUIVER:
            return quiver.value if quiver is not None else None
        oven, redry = self.consumable.care.oven_min_c, self.consumable.redry
        if oven is not None:
            return oven.value
        return redry.min_c.value if redry is not None and self.redry_allowed else None

    def said_hot(self, place: Place, temperature_c: float | FloatArray) -> BoolArray:
        """Where a reading is that of an oven or quiver hot enough to protect; what is not known never is."""
        hot_c = self.hot_from_c(place) if place in HOT_PLACES else None
        return np.greater_equal(temperature_c, np.inf if hot_c is None else hot_c)


def clock_rules(
    consumable: ConsumableClass,
    shop: ShopRule = AS_THE_CODE,
    sorption: Mapping[str, SorptionParameters] | None = None,
    *,
    reading_speaks_s: float,
) -> ClockRules:
    """The rules of one package; raises InputError where the shop's rule cannot stand."""
    _check(consumable, shop)
    name = consumable.sorption
    if sorption is not None and name is not None and name not in sorption:
        known = ", ".join(sorted(sorption))
        raise InputError([Fault(f"{consumable.id}.sorption", name, f"use one of: {known}")])
    code_h = consumable.limit_h.value if consumable.limit_h is not None else None
    return ClockRules(
        consumable=consumable,
        shop=shop,
        code_h=shop.tested.limit_h if shop.tested is not None else code_h,
        rating=_rating(consumable, shop),
        sorption=sorption[name] if sorption is not None and name is not None else None,
        reading_speaks_s=reading_speaks_s,
    )


def _rating(consumable: ConsumableClass, shop: ShopRule) -> RatingLimit | None:
    tested, air = shop.tested, consumable.test_air
    if tested is not None:
        pressure = vapour_pressure_pa(tested.temperature_c, tested.rh_frac)
        plain = consumable.limit_h.value if consumable.limit_h is not None else None
        text = (
            f"Column B by test ({tested.document}) holds only up to the test's air, "
            f"{tested.temperature_c:g} °C and {tested.rh_frac:.0%} RH; in wetter air column A rules."
        )
        return RatingLimit(pressure, tested.rh_frac, plain, text)
    if air is None:
        return None
    pressure = vapour_pressure_pa(air.temperature_c.value, air.rh_frac.value)
    beyond = air.limit_beyond_h.value if air.limit_beyond_h is not None else None
    return RatingLimit(pressure, None, beyond, air.text)


def _check(consumable: ConsumableClass, shop: ShopRule) -> None:
    where = f"shop rule for {consumable.id}"
    faults = [
        *_tested_faults(where, consumable, shop),
        *_limit_faults(where, consumable, shop),
        *_hold_faults(where, consumable, shop),
    ]
    if not 0.0 < shop.use_first_frac <= shop.due_frac <= 1.0:
        found = f"{shop.use_first_frac:g} and {shop.due_frac:g}"
        fix = "write 0 < use_first_frac ≤ due_frac ≤ 1"
        faults.append(Fault(f"{where}: use_first_frac, due_frac", found, fix))
    if faults:
        raise InputError(faults)


def _tested_faults(where: str, consumable: ConsumableClass, shop: ShopRule) -> Iterator[Fault]:
    tested, column_b, column_a = shop.tested, consumable.column_b_h, consumable.limit_h
    if tested is None:
        return
    code_h = column_a.value if column_a is not None else 0.0
    if column_b is None:
        yield Fault(f"{where}: tested", consumable.title, "has no column B; leave it out")
    elif not code_h < tested.limit_h <= column_b.value:
        fix = f"column B allows more than {code_h:g} and up to {column_b.value:g} h"
        yield Fault(f"{where}: tested.limit_h", f"{tested.limit_h:g}", fix)
    if not tested.document.strip():
        yield Fault(f"{where}: tested.document", "nothing", "name the test report")


def _limit_faults(where: str, consumable: ConsumableClass, shop: ShopRule) -> Iterator[Fault]:
    """No shop sets a code's hours aside; a supplement's, a maker's or a rule sheet's with a reason."""
    if shop.limit_h is None:
        return
    if not shop.limit_h > 0.0:
        yield Fault(f"{where}: limit_h", f"{shop.limit_h:g}", "write hours above zero")
    code_h = consumable.limit_h.value if consumable.limit_h is not None else None
    if shop.tested is not None:
        code_h = shop.tested.limit_h
    if code_h is None or shop.limit_h <= code_h:
        return
    looser = f"is looser than {AUTHORITY_WORDS[consumable.authority]} {code_h:g} h"
    if consumable.authority is Authority.CODE:
        proved = consumable.column_b_h is not None and shop.tested is None
        tested = ", or the hours proved by test under tested" if proved else ""
        fix = f"{looser}, which no shop sets aside; write {code_h:g} h or less{tested}"
        yield Fault(f"{where}: limit_h", f"{shop.limit_h:g}", fix)
    elif not shop.reason.strip():
        yield Fault(
            f"{where}: limit_h", f"{shop.limit_h:g}", f"{looser}; write the reason, or {code_h:g} h or less"
        )


def _hold_faults(where: str, consumable: ConsumableClass, shop: ShopRule) -> Iterator[Fault]:
    care = consumable.care
    if not shop.hold_restarts_clock or care.hold_restarts_clock:
        return
    if care.hold_min_h is None:
        yield Fault(f"{where}: hold_restarts_clock", "true", "no hold restarts these hours; leave it out")
    elif not shop.document.strip():
        fix = "the hours add up over every time out; name under document who reads the code otherwise"
        yield Fault(f"{where}: hold_restarts_clock", "true", fix)


AUTHORITY_WORDS = {
    Authority.CODE: "the code's",
    Authority.SUPPLEMENT: "AWS D1.8's",
    Authority.MAKER: "the maker's",
    Authority.COMPANY: "the rule sheet's",
    Authority.NONE: "no",
}


def rules_by_class(rules: Iterable[ClassRule], classes: Mapping[str, ConsumableClass]) -> dict[str, ShopRule]:
    """A shop's own rules, by class id; raises InputError with every rule that cannot stand."""
    faults: list[Fault] = []
    found: dict[str, ShopRule] = {}
    for rule in rules:
        if rule.consumable in found:
            where = f"shop rule for {rule.consumable}"
            faults.append(Fault(where, "a second one", "a class has one rule; keep one"))
        found[rule.consumable] = rule
        try:
            _check(class_named(classes, rule.consumable), rule)
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return found
