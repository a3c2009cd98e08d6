"""Random shops, judged by what can have changed and judged whole: the same at every step, to the last number.

Whole means that what a step remembers of the one before is forgotten before every step: the same functions,
given nothing to pass over.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from typing import NamedTuple

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.states import Command, CommandKind, CommandRefusedError
from monitor.core.present import picture
from monitor.core.shop import Shop, StoreFacts, with_calibrations, with_things
from monitor.core.state import (
    Afresh,
    Arrived,
    CoreState,
    Effects,
    Foreseen,
    Gap,
    Input,
    Operate,
    ServiceFacts,
    Tick,
    as_stored,
    replace,
)
from monitor.core.step import first_state, fitted, step
from monitor.engine.build import build_shop
from monitor.model.level import Level
from monitor.model.picture import ShiftNow
from monitor.model.reading import Quantity, Reading, SeriesKey, StoredReading
from monitor.settings.schema import Settings
from tests.bench.replay_bench import MEASURES

START_S = datetime(2026, 9, 8, 13, 40, tzinfo=UTC).timestamp()  # a Tuesday; the shift ends in 20 minutes
TICK_S, SENSORS = 10.0, 6
WAYS = (
    *("speaks", "speaks", "speaks", "silent", "stuck", "wild", "damp", "hot", "late", "full"),
    *("ahead", "clock wrong", "boils", "half", "dead"),
)
AWRY_S = {"late": -700.0, "ahead": 30.0, "clock wrong": -4_000.0}  # a stamp against its arrival
PLACES = ("panel-hall", "panel-hall", "wire-store", "oven", "slip-bay", "outside")
DECODER = msgspec.msgpack.Decoder(CoreState)


class Turn(NamedTuple):
    """So many ticks of one weather, with each sensor's ways, and what somebody does before them."""

    ticks: int
    warmer_k: float
    damper: float
    ways: tuple[str, ...]
    deed: str
    which: int


TURNS = st.lists(
    st.builds(
        Turn,
        st.sampled_from((1, 2, 3, 7, 20, 40)),
        st.sampled_from((-0.3, 0.0, 0.02, 0.3)),  # K at a tick
        st.sampled_from((-0.01, 0.0, 0.002, 0.01)),
        st.tuples(*[st.sampled_from(WAYS)] * SENSORS),
        st.sampled_from(
            (
                *("", "", "acknowledge", "acknowledge", "shelve", "unshelve", "reset"),
                *("take_out_of_service", "return_to_service", "gap", "restart", "clock back", "afresh"),
                *(
                    "broker away",
                    "shift",
                    "plate away",
                    "plate back",
                    "calibration",
                    "read by hand",
                    "end of work",
                ),
            )
        ),
        st.integers(0, 99),
    ),
    min_size=2,
    max_size=7,
)


@cache
def yard() -> Shop:
    """Every sort of place, with steel, a package, shifts, and somebody on call."""
    site = {"site": "ferrymoor", "name": "Ferrymoor Slipway"}
    zones = [
        {"id": "panel-hall", "max_relative_humidity_frac": 0.7, "max_dew_point_c": 14.0, **site},
        {
            "id": "wire-store",
            "kind": "store",
            "max_relative_humidity_frac": 0.6,
            "desiccant_days": 30,
            **site,
        },
        {"id": "oven", "kind": "oven", "min_temperature_c": 30.0, **site},
        {"id": "slip-bay", "kind": "bay", "in_use": False, "max_relative_humidity_frac": 0.7, **site},
        {"id": "outside", "kind": "outdoor", **site},
        {"id": "quiver-1", "kind": "quiver", "stands_in": "panel-hall", **site},
    ]
    return build_shop(
        Settings.model_validate(
            {
                "service": {
                    "data_dir": "/nowhere",
                    "tick_s": TICK_S,
                    "derived_every_s": 30,
                },
                "limits": {"on_delay_s": 30, "off_delay_s": 60},
                "sites": [{"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": "Europe/London"}],
                "zones": zones,
                "sensors": [
                    {
                        "id": f"wall-{n}",
                        "zone": zone,
                        "interval_s": 20,
                        "stale_after_s": 120,
                        "stuck_after_s": 300,
                        "measures": MEASURES,
                    }
                    for n, zone in enumerate(PLACES)
                ],
                "cylinders": [{"id": "mix-1", "zone": "panel-hall", "name": "Mix 1"}],
                "plates": [{"id": "keel", "zone": "slip-bay", "name": "Keel", "thickness_m": 0.02}],
                "packages": [
                    {
                        "id": "spool-1",
                        "zone": "panel-hall",
                        "name": "Cored wire",
                        "consumable": "fcaw-folded-h8",
                        "opened_at": datetime.fromtimestamp(START_S - 3600.0, UTC),
                    }
                ],
                "shifts": [
                    {
                        "site": "ferrymoor",
                        "name": "early",
                        "days": ["mon", "tue", "wed"],
                        "start": "06:00:00",
                        "end": "15:00:00",
                    }
                ],
            }
        )
    )


class Twins:
    """One shop judged both ways."""

    def __init__(self, shop: Shop) -> None:
        self.shop = self.declared = shop
        self.quick = self.whole = first_state(shop, START_S)
        self.now_s, self.order = START_S, 0
        self.warm = [18.0, 17.5, 16.0, 60.0, 15.0, 12.0]
        self.damp = [0.6, 0.58, 0.5, 0.05, 0.65, 0.8]
        self.kinds: set[str] = set()
        self.passed_over = 0

    def given(self, one: Input) -> None:
        """The same input to both; what comes of it is the same."""
        self.whole = replace(self.whole, remembered=None)
        outcomes: list[tuple[CoreState, Effects] | str] = []
        for state in (self.quick, self.whole):
            try:
                outcomes.append(step(self.shop, state, one))
            except CommandRefusedError as error:
                outcomes.append(error.reason)
        quick, whole = outcomes
        if isinstance(quick, str) or isinstance(whole, str):
            assert quick == whole
            return
        assert quick[1] == whole[1]
        self.kinds |= {event.kind for event in quick[1].events}
        self.quick, self.whole = quick[0], whole[0]
        self.same()

    def same(self) -> None:
        """All that is kept, and the picture that people see."""
        quick, whole = (msgspec.msgpack.encode(as_stored(one)) for one in (self.quick, self.whole))
        if quick != whole:
            assert DECODER.decode(quick) == DECODER.decode(whole)
        assert quick == whole
        assert repr(picture(self.shop, self.quick)) == repr(picture(self.shop, self.whole))

    def turn(self, turn: Turn) -> None:
        """A deed, then some ticks of weather."""
        self.does(turn.deed, turn.which)
        for n in range(turn.ticks):
            self.warm = [min(max(one + turn.warmer_k, -20.0), 90.0) for one in self.warm]
            self.damp = [min(max(one + turn.damper, 0.02), 1.0) for one in self.damp]
            if n % 2 == 0:
                stored = tuple(self._stored(turn, n))
                while stored and stored[-1].order > self.quick.order:
                    self.given(Arrived(tuple(one for one in stored if one.order > self.quick.order)))
                    if self.now_s < self.quick.hurried_s < self.now_s + TICK_S:
                        self.given(Tick(self.quick.hurried_s, hurried=True))
            self.now_s += TICK_S
            before = self.quick.book
            self.given(Tick(self.now_s))
            after = self.quick.book.alarms
            self.passed_over += sum(
                after[name] is one for name, one in before.alarms.items() if name in after
            )

    def _stored(self, turn: Turn, n: int) -> Iterator[StoredReading]:
        for reading in self._readings(turn, n):
            self.order += 1
            yield StoredReading(self.order, reading)

    def _readings(self, turn: Turn, n: int) -> Iterator[Reading]:
        for place, way in enumerate(turn.ways):
            if way == "silent":
                continue
            flicker = 0.0 if way == "stuck" else ((n * 7 + place * 3) % 5) * 0.01
            celsius, humid = self.warm[place] + flicker, self.damp[place] + flicker / 10.0
            celsius += {"wild": 70.0 * (n % 4 == 0), "hot": 4.0, "boils": 75.0 * (n % 3 == 0)}.get(way, 0.0)
            humid = {"damp": humid + 0.2, "full": 1.0, "stuck": 0.5, "dead": 0.0}.get(way, humid)
            at_s = self.now_s + 1.0 + place
            time_s = at_s + AWRY_S.get(way, 0.0)
            for quantity, value in (
                (Quantity.AIR_TEMPERATURE, round(20.0 if way == "stuck" else celsius, 2)),
                (Quantity.RELATIVE_HUMIDITY, round(humid, 4)),
            ):
                if way != "half" or quantity is Quantity.AIR_TEMPERATURE:
                    key = SeriesKey(PLACES[place], f"wall-{place}", quantity)
                    yield Reading(key, time_s, at_s, value, None, way in AWRY_S)

    def does(self, deed: str, which: int) -> None:
        """What somebody, or the machine, does."""
        if deed in set(CommandKind):
            alarms = self.quick.book.alarms
            standing = [name for name, one in alarms.items() if one.state != "normal"] or list(alarms)
            until_s = self.now_s + 45.0 if deed == "shelve" else None
            name = standing[which % len(standing)]
            self.given(Operate(Command(CommandKind(deed), name, "lead", "a reason", until_s), self.now_s))
        elif deed == "gap":
            self.now_s += 600.0
            self.given(Gap(self.now_s))
        elif deed == "clock back":
            self.now_s -= 300.0
        elif deed == "end of work":
            self.now_s += 3600.0
        elif deed == "afresh":
            self.given(Afresh(self.now_s, "doubt", self.order, 1))
        elif deed == "broker away":
            self.given(ServiceFacts({"broker_away": float(which % 2)}))
        elif deed == "shift":
            start_s = self.now_s + 60.0 * (which % 5)
            odds = 0.4 + which / 200.0
            shift = ShiftNow(
                name="late",
                site="ferrymoor",
                start_s=start_s,
                end_s=start_s + 3600.0,
                level=Level.CAUTION,
                probability_frac=odds,
                reason="humid",
                id=f"ferrymoor-late-{start_s:.0f}",
                warned=which % 2 == 0,
            )
            self.given(Foreseen((shift,), (), self.quick.memory))
        elif deed:
            self.becomes(deed)

    def becomes(self, deed: str) -> None:
        """The shop is another, or the service was started anew."""
        keel = {"keel": None if deed == "plate away" else self.declared.bodies["keel"]}
        if deed.startswith("plate"):
            self.shop = with_things(self.shop, {}, keel, {})
        elif deed == "calibration":
            self.shop = with_calibrations(self.shop, {"wall-0": self.now_s + 25.0})
        elif deed == "read by hand":
            read = StoreFacts(self.now_s, 21.0, 0.55, 400.0, self.now_s + 15.0)
            self.shop = with_things(self.shop, {}, {}, {"wire-store": read, "oven": read})
        if deed == "restart":
            self.quick = DECODER.decode(msgspec.msgpack.encode(as_stored(self.quick)))
            self.whole = DECODER.decode(msgspec.msgpack.encode(as_stored(self.whole)))
        self.quick, self.whole = (fitted(self.shop, one) for one in (self.quick, self.whole))
        self.same()


@settings(max_examples=25)
@given(TURNS)
def test_judging_what_can_have_changed_gives_at_every_step_what_judging_all_gives(turns: list[Turn]) -> None:
    twins = Twins(yard())
    for turn in turns:
        twins.turn(turn)


def test_the_shops_of_this_comparison_raise_alarms_lose_sensors_and_pass_most_conditions_over() -> None:
    twins = Twins(yard())
    ways = ("speaks", "speaks", "silent", "stuck", "wild", "full")
    for deed in ("", "acknowledge", "shelve", "clock back", "restart", "read by hand", "end of work"):
        twins.turn(Turn(40, 0.02, 0.002, ways, deed, 1))
    assert {"alarm_transition", "sensor_status"} <= twins.kinds
    assert twins.passed_over > 280 * len(twins.quick.book.alarms) / 2


def test_a_shelf_time_is_over_in_time_though_nothing_else_changes() -> None:
    twins = Twins(yard())
    silent = ("silent",) * SENSORS
    twins.turn(Turn(10, 0.0, 0.0, ("speaks",) * SENSORS, "", 0))
    twins.turn(Turn(100, 0.0, 0.0, silent, "", 0))
    name = "sensor_health.wall-0"
    assert twins.quick.book.alarms[name].state == "unacknowledged"
    command = Command(CommandKind.SHELVE, name, "lead", "a reason", twins.now_s + 45.0)
    twins.given(Operate(command, twins.now_s))
    twins.turn(Turn(4, 0.0, 0.0, silent, "", 0))
    assert twins.quick.book.alarms[name].state == "shelved"
    twins.turn(Turn(1, 0.0, 0.0, silent, "", 0))
    assert twins.quick.book.alarms[name].state == "unacknowledged"


def test_a_value_that_stands_still_is_found_at_the_same_tick_by_both_ways() -> None:
    twins = Twins(yard())
    twins.warm[:2], twins.damp[:2] = [20.0, 20.0], [0.5, 0.5]
    twins.turn(Turn(30, 0.0, 0.0, ("speaks",) * SENSORS, "", 0))
    twins.turn(Turn(150, 0.01, 0.0, ("stuck", *("speaks",) * (SENSORS - 1)), "", 0))
    assert twins.quick.tracks["wall-0"].reason == "stuck"
