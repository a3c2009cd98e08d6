"""The one pure step (shop, state, input) → (state, effects); live service and replay both call it."""

from monitor.alarms.escalation import EscalationBook
from monitor.alarms.grouping import GroupBook, answer
from monitor.alarms.lifecycle import empty_book, watched_again, with_conditions
from monitor.alarms.states import AlarmState
from monitor.core import arrival, late_readings, notices, tick, watch
from monitor.core.afresh import begun_anew
from monitor.core.present import picture
from monitor.core.shop import Shop
from monitor.core.state import (
    NOTHING,
    Afresh,
    Arrived,
    CoreState,
    Effects,
    Foreseen,
    Gap,
    Input,
    Operate,
    Rederived,
    Resume,
    ServiceFacts,
    Tick,
    replace,
)
from monitor.core.supposed import Held
from monitor.core.zone_air import ZoneAir
from monitor.model.event import EventKind, NewEvent
from monitor.sensors.health import resumed


def first_state(shop: Shop, now_s: float) -> CoreState:
    """Nothing is known yet."""
    return fitted(
        shop,
        CoreState(
            order=0,
            time_s=now_s,
            derived_s=now_s,
            tracks={},
            heard={},
            air={},
            dew_trends={},
            dew_rises={},
            bodies={},
            figures={},
            margin_trends={},
            clocks={},
            uses={},
            book=empty_book(now_s),
            groups=GroupBook(),
            since={},
            watched_s=now_s,
            digest_s=now_s,
        ),
    )


def fitted(shop: Shop, state: CoreState) -> CoreState:
    """The state made to fit the shop as its settings now say: what is gone is dropped, what is new begins.

    An alarm of something that is gone is withdrawn by the next tick, so that the record and the people who
    were told learn of it.
    """
    zones, bodies = shop.zones, shop.bodies
    state = replace(
        state,
        tracks=arrival.fresh_tracks(shop, state.tracks, state.time_s),
        heard={name: state.heard.get(name, ZoneAir()) for name in zones},
        air={name: air for name, air in state.air.items() if name in zones},
        dew_trends={name: state.dew_trends.get(name, watch.NO_TREND) for name in zones},
        bodies={name: body for name, body in state.bodies.items() if name in bodies},
        figures={name: now for name, now in state.figures.items() if name in bodies},
        supposed={name: one for name, one in state.supposed.items() if name in bodies},
        clocks={name: clock for name, clock in state.clocks.items() if name in shop.packages},
        uses={name: use for name, use in state.uses.items() if name in shop.packages},
        silences={name: kept for name, kept in state.silences.items() if name in zones},
        late={name: kept for name, kept in state.late.items() if name in zones},
        filled={name: span for name, span in state.filled.items() if name in zones},
        shifts=tuple(shift for shift in state.shifts if shift.site in shop.wordings),
        groups=GroupBook(
            {name: one for name, one in state.groups.groups.items() if one.site in shop.wordings}
        ),
        courses=EscalationBook(
            {n: one for n, one in state.courses.courses.items() if one.announcement.site in shop.wordings}
        ),
        derived_s=0.0,
    )
    wanted = {one.id: one for one in watch.conditions(shop, state.clocks, state.shifts)}
    standing = {
        name: one
        for name, one in state.book.conditions.items()
        if one.site in shop.wordings and state.book.alarms[name].state is not AlarmState.NORMAL
    }
    book, _ = with_conditions(state.book, {**standing, **wanted}.values(), state.time_s)
    return replace(state, book=book)


def step(shop: Shop, state: CoreState, given: Input) -> tuple[CoreState, Effects]:
    """What the shop knows after one input, and what is to be written because of it.

    Raises CommandRefusedError where a person's answer is not legal now; nothing has changed then.
    """
    match given:
        case Arrived(readings):
            after = arrival.arrived(shop, state, readings)
        case Tick(now_s, hurried):
            after = tick.tick(shop, state, now_s, hurried=hurried)
        case Gap(now_s, why):
            after = _gap(shop, state, now_s, why)
        case Resume(now_s):
            state, fills = late_readings.filled(shop, state, now_s)
            after = state, Effects(points=fills)
        case Afresh(now_s):
            after = begun_anew(first_state(shop, now_s), state, given)
        case Operate(command, now_s):
            book, transitions = answer(state.groups, state.book, command, now_s)
            after = notices.settle(shop, replace(state, book=book), transitions, now_s)
        case _:
            after = _told(state, given), NOTHING
    return after


def _told(state: CoreState, given: ServiceFacts | Foreseen | Rederived) -> CoreState:
    """What is only remembered, until the next tick makes something of it."""
    match given:
        case ServiceFacts(values):
            told = {**state.service, **values}
            return state if told == state.service else replace(state, service=told)
        case Foreseen(shifts, actions, memory, clouds):
            # Conditions for new shifts are wanted at the next tick, not only at the next derived one.
            return replace(state, shifts=shifts, actions=actions, memory=memory, clouds=clouds, derived_s=0.0)
        case Rederived(counted, followed, filled):
            clocks = {**state.clocks, **counted}
            for body, held in followed.items():
                state = _body_set(state, body, held)
            return replace(
                state,
                clocks={name: clock for name, clock in clocks.items() if clock is not None},
                uses={name: use for name, use in state.uses.items() if name not in counted},
                filled={} if filled else state.filled,
                derived_s=0.0 if counted or filled else state.derived_s,
            )


def _body_set(state: CoreState, body: str, held: Held) -> CoreState:
    bodies = {name: kept for name, kept in state.bodies.items() if name != body}
    ranges = {name: kept for name, kept in state.supposed.items() if name != body}
    figures = {name: kept for name, kept in state.figures.items() if name != body}
    if held.state is not None:
        bodies[body] = held.state
    if held.supposed is not None:
        ranges[body] = held.supposed
    return replace(state, bodies=bodies, supposed=ranges, figures=figures)


def _gap(shop: Shop, state: CoreState, now_s: float, why: str) -> tuple[CoreState, Effects]:
    """Silence while nobody was watching is not held against the sensors; the record says that it was so."""
    tracks = {name: resumed(track, now_s) for name, track in state.tracks.items()}
    event = NewEvent(
        EventKind.SERVICE_GAP,
        "service",
        now_s,
        "dryshift",
        {"from_s": state.time_s, "to_s": now_s},
        why,
        f"gap/{state.time_s:.3f}/{now_s:.3f}",
    )
    state = late_readings.unheard(shop, state, frozenset(), now_s)
    book = watched_again(state.book)
    return replace(state, tracks=tracks, book=book, time_s=now_s, watched_s=now_s), Effects(events=(event,))


__all__ = [
    "Afresh",
    "Arrived",
    "CoreState",
    "Effects",
    "Gap",
    "Input",
    "Operate",
    "Resume",
    "Shop",
    "Tick",
    "first_state",
    "fitted",
    "picture",
    "step",
]
