"""Judges every condition at a tick: where nothing has changed only the moment moves on.

What is observed comes from sources: a zone's air, its sensors, a body, a package, the service. One whose
inputs are what they were at the tick before is not asked again, and a condition that was given the same as
then, and had come to rest with it, is passed over. A source that has fallen away takes what it told with it.
"""

from collections.abc import Iterator, Mapping

from monitor.alarms.conditions import SUPPOSED, Observation, condition_id
from monitor.alarms.lifecycle import advanced
from monitor.alarms.states import Transition
from monitor.core import watch
from monitor.core.body_figures import Figures
from monitor.core.heated_stores import StoreNow
from monitor.core.remembered import Inputs, Remembered
from monitor.core.shop import GONE, Shop, ZoneFacts
from monitor.core.state import CoreState, Use, replace
from monitor.core.working_hours import hours

Source = tuple[str, Inputs | None, Iterator[Observation]]  # without inputs: asked at every tick


def judged(
    shop: Shop, state: CoreState, known: Remembered, stores: Mapping[str, StoreNow], now_s: float
) -> tuple[CoreState, tuple[Transition, ...]]:
    """The state with every alarm moved on, and the moves; `known` is what the tick before has left."""
    whole = known.book is not state.book
    seen: dict[str, Observation] = {} if whole else dict(known.seen)
    before = {} if whole else known.given
    given: dict[str, tuple[Inputs | None, tuple[str, ...]]] = {}
    awake = set() if whole else set(known.restless)
    gone: set[str] = set()
    conditions = state.book.conditions
    for source, inputs, telling in _sources(shop, state, known, stores, now_s):
        earlier = before.get(source)
        if earlier is not None and inputs is not None and earlier[0] == inputs:
            given[source] = earlier
            continue
        told = {one.condition_id: one for one in telling if one.condition_id in conditions}
        awake.update(name for name, one in told.items() if not _same(one, seen.get(name)))
        seen.update(told)
        given[source] = inputs, tuple(told)
        if earlier is not None:
            gone.update(earlier[1])
            gone.difference_update(told)
    for source in before.keys() - given.keys():
        gone.update(before[source][1])
    for name in gone:
        seen.pop(name, None)
    awake |= gone
    anew = [_at(seen[name], now_s) for name in awake if name in seen]
    book, transitions, restless = advanced(state.book, anew, now_s, None if whole else awake)
    left = known.but(book=book, seen=seen, given=given, restless=restless, time_s=now_s)
    return replace(state, book=book, remembered=left), transitions


def _at(one: Observation, now_s: float) -> Observation:
    return one if one.time_s == now_s else one._replace(time_s=now_s)


def _same(one: Observation, before: Observation | None) -> bool:
    """Whether the same was observed, but for its time; a value that is no number is never the same."""
    return before is not None and one.value == before.value and one[3:] == before[3:]


def _sources(
    shop: Shop, state: CoreState, known: Remembered, stores: Mapping[str, StoreNow], now_s: float
) -> Iterator[Source]:
    """Everything that is observed, each with all that it depends on beside the shop itself."""
    at_work, back_s, shifts_unknown = hours(shop, now_s)
    facts = {zone.id: watch.zone_facts(zone, at_work) for zone in shop.zones.values()}
    disbelieved: dict[str, set[str]] = {}
    for name in known.disbelieved:
        disbelieved.setdefault(shop.sensors[name].zone, set()).add(name)
    for zone in shop.zones.values():
        truths, oven_c = facts[zone.id], stores[zone.id].temperature_c
        inputs = (watch.limited(state.air.get(zone.id)), oven_c, state.dew_rises.get(zone.id, 0.0), truths)
        of_zone = _of_zone(shop, state, zone, oven_c, truths, now_s)
        # how long a desiccant is overdue grows with time alone
        yield f"zone/{zone.id}", inputs if zone.store.desiccant_due_s is None else None, of_zone
        of_sensors = _of_sensors(shop, state, zone, truths, now_s)
        yield f"sensors/{zone.id}", (truths, disbelieved.get(zone.id)), of_sensors
    for body in shop.bodies.values():
        truths = facts[body.zone] if body.present else (*facts[body.zone], "body_absent")
        figures = state.figures.get(body.id)
        yield f"body/{body.id}", (figures, truths), _of_body(body.id, figures, truths, now_s)
    for name, use in state.uses.items():
        zone = shop.zones[shop.packages[name].zone]
        goes_on_s = back_s.get(zone.site)
        of_package = _of_package(name, use, goes_on_s, facts[zone.id], now_s)
        yield f"package/{name}", (use, goes_on_s, facts[zone.id]), of_package
    for site in shop.shifts.sites:
        unknown = float(site in shifts_unknown)
        yield f"shifts/{site}", (unknown,), iter((watch.seen("shifts_unknown", site, unknown, now_s),))
    yield "service", None, _of_site(shop, state, now_s)


def _of_zone(
    shop: Shop,
    state: CoreState,
    zone: ZoneFacts,
    oven_c: float | None,
    truths: tuple[str, ...],
    now_s: float,
) -> Iterator[Observation]:
    """What is known of one zone's own conditions."""
    rise_kh, watched = state.dew_rises.get(zone.id, 0.0), state.book.conditions
    empty = ("quiver_empty",) if zone.kind == "quiver" and not shop.holds(zone.id) else ()
    for kind, value in watch.of_zone(zone, state.air.get(zone.id), oven_c, rise_kh):
        if condition_id(kind, zone.id) in watched:
            yield watch.seen(kind, zone.id, value, now_s, (*truths, *empty))
    if zone.kind == GONE:
        yield watch.seen("zone_not_named", zone.id, float(shop.things_in(zone.id)), now_s)
    yield watch.seen("desiccant_due", zone.id, watch.of_desiccant(zone, now_s), now_s, truths)


def _of_sensors(
    shop: Shop, state: CoreState, zone: ZoneFacts, truths: tuple[str, ...], now_s: float
) -> Iterator[Observation]:
    """Whether each of a zone's sensors is believed."""
    for sensor in shop.sensors_of(zone.id):
        value = watch.of_track(state.tracks[sensor.id])
        yield watch.seen("sensor_health", sensor.id, value, now_s, truths)


def _of_body(
    body: str, figures: Figures | None, truths: tuple[str, ...], now_s: float
) -> Iterator[Observation]:
    """What is known of a body's conditions."""
    for kind, value in watch.of_body(figures):
        one = watch.seen(kind, body, value, now_s, truths)
        supposed = figures is not None and value is None
        yield one._replace(unknown_reason=SUPPOSED) if supposed else one


def _of_package(
    package: str, use: Use, back_s: float | None, zone_truths: tuple[str, ...], now_s: float
) -> Iterator[Observation]:
    """What is known of a package's conditions."""
    truths = zone_truths if use.counting else (*zone_truths, "package_sealed")
    numbers = {} if use.due_at_s is None else {"by_s": use.due_at_s}
    for kind, value in watch.of_package(use, back_s):
        yield watch.seen(kind, package, value, now_s, truths, numbers)


def _of_site(shop: Shop, state: CoreState, now_s: float) -> Iterator[Observation]:
    """What concerns the whole site: the service itself, and the shifts ahead."""
    for kind in watch.SERVICE_KINDS:
        value = state.service.get(kind, 0.0)
        if kind == "warnings_undeliverable":
            value += watch.left_unanswered(state)
        yield watch.seen(kind, watch.SERVICE, value, now_s)
    told = watch.shifts_told(shop, state.book, state.shifts, now_s)
    for shift in state.shifts:
        if shift.start_s > now_s:
            todo = [action.by_s for action in state.actions if action.shift == shift.id and not action.done]
            first = {"by_s": min(todo)} if todo else {}
            numbers = {"starts_s": shift.start_s, **first}
            odds = watch.of_shift(shift, shop.shift_odds_frac, told)
            yield watch.seen("humid_shift_ahead", shift.id, odds, now_s, (), numbers)
