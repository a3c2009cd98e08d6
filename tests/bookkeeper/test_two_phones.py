"""Two phones at once: nothing is lost, nothing is doubled; a repeated post is answered, not written again."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest

from monitor.consumables.classes import Place
from monitor.engine.bookkeeper import Keeper
from monitor.history.entries import GotWet, Moved, Opened, RanOff, body_of
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.store.contract import StoreUnavailableError
from monitor.store.ledger.sql_ledger import open_ledger
from tests.bookkeeper.test_clocks import anew, clock_of, same
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard

SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay")


def together(*jobs: Callable[[], Event]) -> list[Event | InputError]:
    """Run all at the same moment; what was refused comes back as its error."""
    start = Barrier(len(jobs))

    def run(job: Callable[[], Event]) -> Event | InputError:
        start.wait()
        try:
            return job()
        except InputError as error:
            return error

    with ThreadPoolExecutor(len(jobs)) as pool:
        return [future.result() for future in [pool.submit(run, job) for job in jobs]]


def post(keeper: Keeper, yard: Yard, body: dict[str, object], key: str, at_s: float | None = None) -> Event:
    time_s = yard.fed_s if at_s is None else at_s
    return keeper.record(NewEvent(EventKind.PACKAGE, "spool-9", time_s, LEAD, body, "", key), yard.fed_s)


def test_two_identical_posts_that_race_are_one_entry(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    jobs = [lambda: post(yard.keeper, yard, body_of(SPOOL), "tap-1") for _ in range(8)]
    answers = together(*jobs)
    assert len({answer.number for answer in answers if isinstance(answer, Event)}) == 1
    assert not any(isinstance(answer, InputError) for answer in answers)
    assert len(yard.ledger.events(kinds=[EventKind.PACKAGE])) == 1


def test_two_identical_posts_that_race_over_two_services_are_one_entry(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    others = [Keeper(yard.settings, yard.series, yard.ledger, yard.loop) for _ in range(4)]
    answers = together(*[lambda k=k: post(k, yard, body_of(SPOOL), "tap-1") for k in others])  # type: ignore[misc]
    assert len({answer.number for answer in answers if isinstance(answer, Event)}) == 1
    assert len(yard.ledger.events(kinds=[EventKind.PACKAGE])) == 1
    assert yard.ledger.verify().broken_at is None


def test_different_entries_at_once_are_all_kept_and_counted(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + 2 * HOUR)
    bodies = [body_of(RanOff(0.0012)) for _ in range(6)] + [body_of(Moved(Place.BAGGED, "slip-bay"))]
    answers = together(
        *[lambda n=n, b=b: post(yard.keeper, yard, b, f"tap-{n}") for n, b in enumerate(bodies)]  # type: ignore[misc]
    )
    assert len({answer.number for answer in answers if isinstance(answer, Event)}) == 7
    history = yard.keeper.history("spool-9")
    assert history is not None
    assert (len(history.happenings), history.stays[-1].place) == (6, Place.BAGGED)
    yard.run_to(START_S + 3 * HOUR)
    same(clock_of(yard, "spool-9"), anew(yard, "spool-9"))


def test_of_two_openings_at_once_one_is_told_that_the_other_was_first(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    answers = together(
        lambda: post(yard.keeper, yard, body_of(SPOOL), "phone-a"),
        lambda: post(yard.keeper, yard, body_of(SPOOL), "phone-b"),
    )
    refused = [answer for answer in answers if isinstance(answer, InputError)]
    assert len(refused) == 1
    assert "opened already" in str(refused[0])


def test_entries_while_the_loop_runs_miss_no_tick_and_no_air(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)

    def taps() -> Event:
        made = [post(yard.keeper, yard, body_of(GotWet()), "wet", START_S + 700)]
        for n in range(10):
            place = Place.ON_MACHINE if n % 2 else Place.OPEN_AIR
            made.append(
                post(yard.keeper, yard, body_of(Moved(place, "slip-bay")), f"m{n}", START_S + 700 + n)
            )
        return made[-1]

    def loop() -> Event:
        yard.run_to(START_S + 1.5 * HOUR)
        return yard.ledger.events()[0]

    assert not any(isinstance(answer, InputError) for answer in together(taps, loop))
    yard.run_to(START_S + 1.6 * HOUR)
    live = clock_of(yard, "spool-9")
    assert live.wet
    assert live.unknown_s == 0.0
    same(live, anew(yard, "spool-9"))


def test_what_two_services_wrote_against_each_other_does_not_stop_a_start(yard: Yard) -> None:
    """Two services may each find an opening good; the first one in the chain stands, the other is named."""
    yard.run_to(START_S + 600)
    bodies: tuple[dict[str, object], ...] = (body_of(SPOOL), body_of(SPOOL), {"entry": "dance"})
    events = [NewEvent(EventKind.PACKAGE, "spool-9", START_S + 500, LEAD, body) for body in bodies]
    written = yard.ledger.commit(events, entered_s=yard.fed_s)
    yard.restart()
    assert yard.package("spool-9").open_now
    refused = yard.keeper.refusals["spool-9"]
    assert {one.number for one in refused} == {written[1].number, written[2].number}
    yard.enter("spool-9", Moved(Place.BAGGED, "slip-bay"))  # and the thing can still be worked with
    assert not yard.package("spool-9").open_now


def test_a_key_used_for_another_thing_is_refused(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL, key="k")
    with pytest.raises(InputError, match="give every entry a key of its own"):
        yard.enter("spool-10", SPOOL, key="k")


def test_two_services_on_one_postgresql_lose_and_double_nothing(postgresql_yard: Yard) -> None:
    yard = postgresql_yard
    yard.run_to(START_S + 600)
    ledgers = [open_ledger(yard.ledger_url) for _ in range(3)]
    keepers = [Keeper(yard.settings, yard.series, ledger, yard.loop) for ledger in ledgers]
    together(*[lambda k=k: post(k, yard, body_of(SPOOL), "tap-1") for k in keepers])  # type: ignore[misc]
    jobs = [
        lambda k=k, n=n: post(k, yard, body_of(RanOff(0.0012)), f"tap-{n // 2}")  # type: ignore[misc]
        for n, k in enumerate(keepers * 4, 4)
    ]
    answers = together(*jobs)
    assert not any(isinstance(answer, InputError) for answer in answers)
    events = yard.ledger.events(kinds=[EventKind.PACKAGE])
    assert sorted(str(event.key) for event in events) == sorted(["tap-1", *(f"tap-{n}" for n in range(2, 8))])
    assert yard.ledger.verify().broken_at is None
    yard.restart()
    history = yard.keeper.history("spool-9")
    assert history is not None
    assert len(history.happenings) == 6
    for ledger in ledgers:
        ledger.close()


def test_an_entry_is_kept_where_the_air_could_not_be_read_and_counted_at_the_next_try(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The phone is told to try again; the same post then changes nothing more, and the clock is right."""
    yard.run_to(START_S + 2 * HOUR)

    def locked(*_: object) -> None:
        raise StoreUnavailableError("series.sqlite: locked for too long")

    with monkeypatch.context() as trouble:
        trouble.setattr(yard.series, "slice", locked)
        with pytest.raises(StoreUnavailableError):
            post(yard.keeper, yard, body_of(SPOOL), "tap-1", START_S + HOUR)
        assert "spool-9" not in yard.loop.state.clocks
    written = post(yard.keeper, yard, body_of(SPOOL), "tap-1", START_S + HOUR)
    assert [event.number for event in yard.ledger.events(kinds=[EventKind.PACKAGE])] == [written.number]
    same(clock_of(yard, "spool-9"), anew(yard, "spool-9"))
    assert clock_of(yard, "spool-9").open_s == pytest.approx(HOUR, abs=0.01)
