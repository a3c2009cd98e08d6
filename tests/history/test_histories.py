"""Histories out of entries: no holes, corrections as if right at first, impossible ones named."""

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.beads.acceptance import Pore
from monitor.beads.acceptance_rules import PoreKind, Weld
from monitor.consumables.classes import Place
from monitor.consumables.stays import Happening, checked_history
from monitor.history.body_history import BodyHistory, Stand, body_after
from monitor.history.entries import (
    ENTRIES,
    BeadWelded,
    CylinderChanged,
    CylinderConnected,
    CylinderDelivered,
    CylinderMoved,
    CylinderQuarantined,
    CylinderSpare,
    DesiccantRenewed,
    Entry,
    GaugeRead,
    GotWet,
    Moved,
    Opened,
    PlateBroughtIn,
    PlateGone,
    RanOff,
    Seen,
    StoreChecked,
    TestBead,
    Withdrawn,
    body_of,
    entry_of,
)
from monitor.history.package_history import from_settings, package_after
from monitor.history.records import Dated, corrected, folded, moment, readable_entries
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from tests.history.strictly import dated_entries, package_history

OPENED = Opened("Rods", "e7018", "panel-hall", Place.OPEN_AIR)
ALL: list[Entry] = [
    OPENED,
    Moved(Place.HOLDING_OVEN, "rod-oven", 130.0),
    RanOff(0.0024, 12.0, 0.7),
    TestBead(sound=True, seen=Seen(zone="slip-bay", dew_point_c=15.4, open_s=7200.0)),
    GotWet(),
    Withdrawn(),
    CylinderDelivered("Mix 7", "argon-co2", "gas-cage", 3.5, 2e7),
    CylinderMoved("panel-hall"),
    CylinderConnected("Machine 2"),
    CylinderSpare(),
    CylinderQuarantined(),
    GaugeRead(5e6),
    CylinderChanged(),
    PlateBroughtIn("Keel", "slip-bay", 0.025, 2.0, 6.0, 1, 3, -2.0),
    PlateGone(),
    StoreChecked(125.0, None),
    DesiccantRenewed(),
    BeadWelded(
        "d11-static", Weld.FILLET, 0.3, 0.01, (Pore(0.001, None, 0.012, 0.0, PoreKind.WORMHOLE),), 0.006
    ),
]


def told(number: int, time_s: float, entry: Entry, subject: str = "rods") -> Event:
    return Event(number, entry.kind, subject, time_s, body_of(entry))


def correction(number: int, of: int, **body: object) -> Event:
    return Event(number, EventKind.CORRECTION, "rods", 1e9, {"of": of, **body})


def test_every_kind_of_entry_is_tried_here() -> None:
    assert {type(entry) for entry in ALL} == set(ENTRIES)


@pytest.mark.parametrize("entry", ALL, ids=lambda entry: f"{entry.kind}/{entry.entry}")
def test_an_entry_comes_back_from_its_body_as_it_was(entry: Entry) -> None:
    assert entry_of(entry.kind, body_of(entry)) == entry


def test_kinds_and_names_of_entries_are_unlike_each_other() -> None:
    assert len({(entry.kind, entry.entry) for entry in ENTRIES}) == len(ENTRIES)


def test_a_package_is_in_one_place_at_a_time_from_its_opening_on() -> None:
    entries = [
        Dated(0.0, OPENED),
        Dated(3600.0, Moved(Place.HOLDING_OVEN, "rod-oven")),
        Dated(7200.0, Moved(Place.ON_MACHINE, "slip-bay")),
        Dated(9000.0, TestBead(sound=False)),
    ]
    history = package_history("rods", entries)
    assert history is not None
    assert [(s.place, s.zone, s.start_s, s.end_s) for s in history.stays] == [
        (Place.OPEN_AIR, "panel-hall", 0.0, 3600.0),
        (Place.HOLDING_OVEN, "rod-oven", 3600.0, 7200.0),
        (Place.ON_MACHINE, "slip-bay", 7200.0, None),
    ]
    assert [h.kind for h in history.happenings] == [Happening.BEAD_NOT_SOUND]
    assert (history.zone, history.opened_s, history.entered_s) == ("slip-bay", 0.0, 9000.0)


def test_of_a_place_not_known_the_last_known_zone_is_told() -> None:
    history = package_history("rods", [Dated(0.0, OPENED), Dated(60.0, Moved(Place.UNKNOWN, ""))])
    assert history is not None
    assert (history.zone, history.stays[-1].zone) == ("panel-hall", None)


def test_a_declared_package_goes_on_from_what_the_settings_say() -> None:
    before = from_settings("rods", "Rods", "e7018", "wire-store", 1000.0, 5000.0)
    history = package_history("rods", [Dated(6000.0, Moved(Place.OPEN_AIR, "slip-bay"))], before)
    assert history is not None
    assert [stay.place for stay in history.stays] == [Place.OPEN_AIR, Place.SEALED, Place.OPEN_AIR]
    baked = from_settings("rods", "Rods", "e7018", "wire-store", 1000.0, 5000.0, "rod-oven")
    assert [(stay.place, stay.zone) for stay in baked.stays][1] == (Place.HOLDING_OVEN, "rod-oven")
    with pytest.raises(InputError, match="lies before its entry of 1970-01-01 01:23"):
        package_history("rods", [Dated(4000.0, Moved(Place.OPEN_AIR, "slip-bay"))], before)


def test_what_cannot_be_true_is_left_out_and_named_and_the_rest_stands() -> None:
    entries = [
        Dated(0.0, GotWet(), 7),
        Dated(10.0, OPENED, 8),
        Dated(20.0, OPENED, 9),
        Dated(30.0, Withdrawn(), 10),
        Dated(40.0, Moved(Place.OPEN_AIR, "slip-bay"), 11),
    ]
    history, refusals = folded(entries, None, partial(package_after, "rods"))
    assert history is not None
    assert (len(history.stays), history.withdrawn_s) == (1, 30.0)
    assert [refusal.number for refusal in refusals] == [7, 9, 11]
    with pytest.raises(InputError) as error:
        package_history("rods", entries)
    assert len(error.value.faults) == 3


def test_a_void_entry_is_gone_and_can_stand_again() -> None:
    events = [told(1, 0.0, OPENED), told(2, 60.0, GotWet())]
    assert [e.number for e in corrected([*events, correction(3, 2, void=True)])] == [1]
    again = [*events, correction(3, 2, void=True), correction(4, 2, void=False)]
    assert [e.number for e in corrected(again)] == [1, 2]


def test_a_correction_of_nothing_or_of_a_correction_changes_nothing() -> None:
    events = [told(1, 0.0, OPENED), correction(2, 1, time_s=50.0)]
    wanted = corrected(events)
    assert corrected([*events, correction(3, 99, void=True), correction(4, 2, void=True)]) == wanted
    assert corrected([*events, correction(3, 1, time_s=True, body="x")]) == wanted


times = st.integers(0, 100_000).map(float)
moves = st.sampled_from([Moved(place, "slip-bay") for place in Place])


@given(st.lists(st.tuples(times, moves), max_size=8), st.lists(st.tuples(times, moves), max_size=8))
def test_entries_put_right_are_as_good_as_entries_right_at_first(
    first: list[tuple[float, Entry]], last: list[tuple[float, Entry]]
) -> None:
    """Law: whatever was entered first, after the corrections only what they say counts."""
    slips: Mapping[int, tuple[float, Entry]] = dict(enumerate(first, 2))
    events = [told(1, -1.0, OPENED), *(told(n, time_s, entry) for n, (time_s, entry) in slips.items())]
    right = [told(1, -1.0, OPENED)]
    number = len(events) + 1
    for n, (time_s, entry) in zip(slips, last, strict=False):
        events.append(correction(number, n, time_s=time_s, body=body_of(entry)))
        right.append(told(n, time_s, entry))
        number += 1
    for n in list(slips)[len(last) :]:
        events.append(correction(number, n, void=True))
        number += 1
    assert dated_entries(events, EventKind.PACKAGE) == dated_entries(right, EventKind.PACKAGE)


@given(st.lists(st.tuples(times, moves), max_size=12))
def test_stays_have_neither_hole_nor_overlap_whatever_was_entered(entries: list[tuple[float, Entry]]) -> None:
    told_all = [told(1, 0.0, OPENED), *(told(n, t, e) for n, (t, e) in enumerate(entries, 2))]
    history = package_history("rods", dated_entries(told_all, EventKind.PACKAGE))
    assert history is not None
    assert all(earlier.end_s == later.start_s for earlier, later in pairwise(history.stays))
    assert history.stays[-1].end_s is None
    assert checked_history(history.stays, history.happenings, 200_000.0)[-1].end_s is None


def test_what_nobody_can_read_is_passed_over_and_counted() -> None:
    events = [told(1, 0.0, OPENED), Event(2, EventKind.PACKAGE, "rods", 1.0, {"entry": "dance"})]
    found, unread = readable_entries(events, EventKind.PACKAGE)
    assert ([dated.number for dated in found], unread) == ([1], [2])


def test_moments_are_told_apart_in_the_night_the_clocks_go_back() -> None:
    """Europe/London 2026: at 01:00 UTC on 25 October the clocks go from 02:00 back to 01:00 (IANA data)."""
    zone = ZoneInfo("Europe/London")
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp()
    assert moment(first, zone) == "2026-10-25 01:30 +0100"
    assert moment(first + 3600.0, zone) == "2026-10-25 01:30 +0000"


def test_an_hour_of_exposure_is_an_hour_across_both_changes_of_the_clocks() -> None:
    zone = ZoneInfo("Europe/London")
    for day, hours in ((datetime(2026, 3, 29, tzinfo=zone), 5.0), (datetime(2026, 10, 25, tzinfo=zone), 7.0)):
        start_s, end_s = day.timestamp(), day.replace(hour=6).timestamp()  # midnight to six on the wall
        history = package_history(
            "rods", [Dated(start_s, OPENED), Dated(end_s, Moved(Place.SEALED, "slip-bay"))]
        )
        assert history is not None
        first = history.stays[0]
        assert first.end_s is not None
        assert (first.end_s - first.start_s) / 3600.0 == hours


def test_a_cylinder_lives_from_delivery_to_change_and_may_come_again() -> None:
    entries = [
        Dated(0.0, CylinderDelivered("Mix", "argon-co2", "gas-cage"), 1),
        Dated(10.0, CylinderMoved("panel-hall"), 2),
        Dated(20.0, CylinderConnected("2"), 3),
        Dated(30.0, GaugeRead(4e6), 4),
        Dated(40.0, CylinderChanged(), 5),
        Dated(50.0, CylinderConnected("3"), 6),
        Dated(60.0, CylinderDelivered("Mix", "argon", "gas-cage"), 7),
    ]
    gone, refusals = folded(entries[:5], None, partial(body_after, "mix-1"))
    assert gone is not None
    assert (gone.present, gone.machine, gone.disconnected_s, gone.pressure_pa) == (False, None, 40.0, 4e6)
    assert gone.stands == (Stand("gas-cage", 0.0), Stand("panel-hall", 10.0))
    assert refusals == []
    again, refusals = folded(entries, None, partial(body_after, "mix-1"))
    assert again is not None
    assert (again.present, again.gas, again.stands) == (True, "argon", (Stand("gas-cage", 60.0),))
    assert [refusal.number for refusal in refusals] == [6]
    assert "it was gone then" in str(refusals[0].faults[0])


def test_steel_that_was_here_already_keeps_its_past_unless_a_temperature_is_entered() -> None:
    declared = BodyHistory("keel", "plate", "Keel", (Stand("plate-yard", None),))
    in_hall = PlateBroughtIn("Keel", "panel-hall", 0.02)
    moved, _ = folded([Dated(10.0, in_hall)], declared, partial(body_after, "keel"))
    assert moved is not None
    assert moved.stands == (Stand("plate-yard", None), Stand("panel-hall", 10.0))
    fresh, _ = folded(
        [Dated(10.0, PlateBroughtIn("Keel", "panel-hall", 0.02, start_temperature_c=3.0))],
        declared,
        partial(body_after, "keel"),
    )
    assert fresh is not None
    assert fresh.stands == (Stand("panel-hall", 10.0),)
