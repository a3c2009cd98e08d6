"""One fold gives every thing: the rack shows what the history believes, and nothing else."""

import random
from pathlib import Path

import pytest

from monitor.consumables.classes import Place
from monitor.history import entries as made
from monitor.history.entries import Entry, body_of
from monitor.history.rack import Thing, things
from monitor.history.shop_history import DeclaredThings, ShopHistory, declared_things, fold_of
from monitor.model.event import Event, EventKind
from tests.bookkeeper.yard import yard_settings

PACKAGE = {
    "id": "spool-1",
    "zone": "slip-bay",
    "name": "Spool 1",
    "consumable": "fcaw-folded-h8",
    "opened_at": "1970-01-01T00:00:10Z",
}
PLATE = {"id": "deck-1", "zone": "plate-yard", "name": "Deck 1", "thickness_m": 0.02}
Told = tuple[str, float, Entry]


@pytest.fixture
def declared(tmp_path: Path) -> DeclaredThings:
    return declared_things(yard_settings(tmp_path, packages=[PACKAGE], plates=[PLATE]))


def events_of(*told: Told) -> list[Event]:
    return [
        Event(n, entry.kind, subject, at_s, body_of(entry), entered_s=at_s)
        for n, (subject, at_s, entry) in enumerate(told, 1)
    ]


def rack_of(declared: DeclaredThings, *told: Told) -> dict[str, Thing]:
    return things(declared.history(events_of(*told)), declared, 1_000.0)


def test_what_only_the_settings_tell_is_in_the_fold_and_says_so(declared: DeclaredThings) -> None:
    found = declared.history(())
    assert set(found.packages) == {"spool-1"}
    assert set(found.bodies) == {"mix-1", "deck-1"}
    assert {one.entered_s for one in (*found.packages.values(), *found.bodies.values())} == {None}
    rack = things(found, declared, 1_000.0)
    assert (rack["deck-1"].what, rack["deck-1"].place, rack["deck-1"].since_s) == ("20 mm", "in place", None)
    assert (rack["spool-1"].place, rack["spool-1"].zone, rack["spool-1"].since_s) == (
        "open air", "slip-bay", 10.0,
    )  # fmt: skip
    assert {name for name, one in rack.items() if one.kind == "store"} == {
        "dry-cabinet", "rod-oven", "quiver-1", "quay-oven", "quay-cabinet",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("told", "place", "zone", "since_s", "ended"),
    [
        ([("t", 20.0, made.CylinderDelivered("T", "co2", "gas-cage"))], "delivered", "gas-cage", 20.0, False),
        ([("mix-1", 20.0, made.CylinderMoved("slip-bay"))], "brought in", "slip-bay", 20.0, False),
        ([("mix-1", 20.0, made.CylinderConnected("M 2"))], "connected", "gas-cage", 20.0, False),
        (
            [("mix-1", 20.0, made.CylinderConnected("M 2")), ("mix-1", 30.0, made.CylinderMoved("slip-bay"))],
            "brought in", "slip-bay", 30.0, False,
        ),
        ([("mix-1", 20.0, made.CylinderChanged())], "changed", "gas-cage", 20.0, True),
        ([("deck-1", 20.0, made.PlateGone())], "gone", "plate-yard", 20.0, True),
        ([("t", 20.0, made.PlateBroughtIn("T", "slip-bay", 0.01))], "brought in", "slip-bay", 20.0, False),
        ([("rod-oven", 20.0, made.StoreChecked(130.0))], "checked", "rod-oven", 20.0, False),
        ([("dry-cabinet", 20.0, made.DesiccantRenewed())], "desiccant renewed", "dry-cabinet", 20.0, False),
        ([("spool-1", 20.0, made.Moved(Place.BAGGED, "panel-hall"))], "bagged", "panel-hall", 20.0, False),
        ([("spool-1", 20.0, made.Withdrawn())], "withdrawn", "slip-bay", 20.0, True),
        ([("spool-1", 20.0, made.RanOff(0.002))], "open air", "slip-bay", 10.0, False),
    ],
)  # fmt: skip
def test_the_rack_says_where_a_thing_is_and_since_when(
    declared: DeclaredThings, told: list[Told], place: str, zone: str, since_s: float, ended: bool
) -> None:
    thing = rack_of(declared, *told)[told[0][0]]
    assert (thing.place, thing.zone, thing.since_s, thing.ended) == (place, zone, since_s, ended)


def test_an_entry_that_cannot_be_true_is_neither_in_the_history_nor_on_the_rack(
    declared: DeclaredThings,
) -> None:
    told: list[Told] = [
        ("spool-1", 20.0, made.Withdrawn()),
        ("spool-1", 30.0, made.Moved(Place.ON_MACHINE, "panel-hall")),
        ("mix-1", 20.0, made.CylinderChanged()),
        ("mix-1", 30.0, made.CylinderMoved("slip-bay")),
        ("nobody", 20.0, made.CylinderMoved("slip-bay")),
    ]
    found = declared.history(events_of(*told))
    assert [one.number for one in found.refused("spool-1")] == [2]
    assert [one.number for one in found.refused("mix-1")] == [4]
    rack = rack_of(declared, *told)
    assert (rack["spool-1"].place, rack["mix-1"].place) == ("withdrawn", "changed")
    assert "nobody" not in rack


def test_one_thing_alone_is_as_it_is_among_all(declared: DeclaredThings) -> None:
    told: list[Told] = [
        ("spool-1", 20.0, made.Moved(Place.BAGGED, "panel-hall")),
        ("mix-1", 20.0, made.CylinderMoved("slip-bay")),
        ("rod-oven", 20.0, made.StoreChecked(130.0)),
    ]
    events = [*events_of(*told), Event(4, EventKind.CORRECTION, "spool-1", 40.0, {"of": 1, "time_s": 25.0})]
    whole = declared.history(events)
    for subject in ("spool-1", "mix-1", "rod-oven", "deck-1"):
        alone = declared.thing(subject, [event for event in events if event.subject == subject])
        assert alone == ShopHistory(
            {name: one for name, one in whole.packages.items() if name == subject},
            {name: one for name, one in whole.bodies.items() if name == subject},
            {name: one for name, one in whole.stores.items() if name == subject},
        )
    assert [stay.start_s for stay in whole.packages["spool-1"].history.stays] == [10.0, 25.0]  # type: ignore[union-attr]


def random_events(seed: int) -> list[Event]:
    """What people enter, and what they should not: crossed, twice, unreadable, taken back, corrected."""
    draw = random.Random(seed)
    names = ["spool-1", "deck-1", "mix-1", "rod-oven", "dry-cabinet", "new-1", "new-2", "new-3"]
    entries: list[Entry] = [
        made.Opened("New", "fcaw-folded-h8", "slip-bay", Place.ON_MACHINE),
        made.Moved(Place.BAGGED, "panel-hall"),
        made.Moved(Place.HOLDING_OVEN, "rod-oven"),
        made.RanOff(0.002),
        made.Withdrawn(),
        made.CylinderDelivered("New", "co2", "gas-cage"),
        made.CylinderMoved("slip-bay"),
        made.CylinderChanged(),
        made.PlateBroughtIn("New", "slip-bay", 0.01),
        made.PlateGone(),
        made.StoreChecked(130.0),
        made.DesiccantRenewed(),
    ]
    found: list[Event] = []
    for number in range(1, 61):
        at_s, name = float(draw.randrange(10, 500)), draw.choice(names)
        own = [one for one in found if one.subject == name and one.kind is not EventKind.CORRECTION]
        if own and draw.random() < 0.25:
            right = draw.choice([{"void": True}, {"time_s": at_s}, {"body": body_of(draw.choice(entries))}])
            body = {"of": draw.choice(own).number, **right}
            found.append(Event(number, EventKind.CORRECTION, name, at_s, body, entered_s=500.0 + number))
            continue
        entry = draw.choice(entries)
        said = {"entry": "nonsense"} if draw.random() < 0.05 else body_of(entry)
        found.append(Event(number, entry.kind, name, at_s, said, entered_s=500.0 + number))
    return found


@pytest.mark.parametrize("seed", range(40))
def test_a_fold_that_is_kept_up_gives_what_folding_all_afresh_gives(
    declared: DeclaredThings, seed: int
) -> None:
    events, draw = random_events(seed), random.Random(-seed)
    kept, at = fold_of(declared), 0
    while at < len(events):
        more = draw.randrange(0, 9)
        kept, at = kept.taken(events[at : at + more]), at + more
        told: dict[str, list[Event]] = {name: [] for name in (*declared.packages, *declared.bodies)}
        for event in events[:at]:
            told.setdefault(event.subject, []).append(event)
        apart = [declared.thing(name, own) for name, own in told.items()]
        assert kept.history == declared.history(events[:at])
        assert kept.history.packages == {name: one for t in apart for name, one in t.packages.items()}
        assert kept.history.bodies == {name: one for t in apart for name, one in t.bodies.items()}
        assert kept.history.stores == {name: one for t in apart for name, one in t.stores.items()}
    assert any(kept.history.refused(name) for name in kept.history.packages)
    assert kept.taken(()) is kept
