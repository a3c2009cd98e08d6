"""What cannot be true is refused with field, value and fix, and changes nothing."""

from collections.abc import Iterator

import pytest

from monitor.beads.acceptance import Pore
from monitor.beads.acceptance_rules import Weld
from monitor.consumables.classes import Place
from monitor.history.entries import (
    BeadWelded,
    CylinderConnected,
    CylinderDelivered,
    CylinderMoved,
    DesiccantRenewed,
    Entry,
    GotWet,
    Moved,
    Opened,
    PlateBroughtIn,
    PlateGone,
    RanOff,
    StoreChecked,
    TestBead,
    Withdrawn,
    body_of,
)
from monitor.model.errors import InputError
from monitor.model.event import EventKind, NewEvent
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard, yard_settings

RODS = Opened("Rods 3", "e7018", "panel-hall", Place.OPEN_AIR)
SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay", spool="s300")

REFUSED: list[tuple[str, str, Entry, float, str]] = [
    (
        "unknown class",
        "rods-4",
        Opened("Rods", "e9999", "panel-hall"),
        0,
        "consumable: found e9999; is not a known",
    ),
    ("unknown zone", "rods-4", Opened("Rods", "e7018", "moon-base"), 0, "zone: found moon-base; is no zone"),
    (
        "unknown spool",
        "s-4",
        Opened("S", "fcaw-folded-h8", "slip-bay", spool="s9"),
        0,
        "spool: found s9; use one of",
    ),
    ("no name", "rods-4", Opened("  ", "e7018", "panel-hall"), 0, "name: found nothing"),
    ("opened twice", "rods-3", RODS, 0, "rods-3: found opened already"),
    ("opened in the oven", "rods-4", Opened("R", "e7018", "rod-oven"), 0, "rod-oven (oven); is not for"),
    ("before it was opened", "rods-3", Moved(Place.OPEN_AIR, "slip-bay"), -2 * HOUR, "it was not open then"),
    ("of a thing nobody knows", "rods-5", GotWet(), 0, "enter first when it was opened"),
    ("in the future", "rods-3", GotWet(), HOUR, "lies in the future"),
    ("long ago", "rods-3", GotWet(), -1e9, "before the year 2000"),
    (
        "oven that is none",
        "rods-3",
        Moved(Place.HOLDING_OVEN, "dry-cabinet"),
        0,
        "is not for a place of holding oven",
    ),
    (
        "cabinet that is none",
        "rods-3",
        Moved(Place.DRY_CABINET, "rod-oven"),
        0,
        "is not for a place of dry cabinet",
    ),
    (
        "machine in the oven",
        "rods-3",
        Moved(Place.ON_MACHINE, "rod-oven"),
        0,
        "is not for a place of on machine",
    ),
    (
        "hot beyond reason",
        "rods-3",
        Moved(Place.REDRY, "rod-oven", 900.0),
        0,
        "checked_temperature_c: found 900 °C",
    ),
    (
        "damp beyond reason",
        "rods-3",
        Moved(Place.DRY_CABINET, "dry-cabinet", None, 25.0),
        0,
        "checked_rh_frac: found 25",
    ),
    ("rods run off", "rods-3", RanOff(0.001), 0, "only wire is run off"),
    ("negative depth", "spool-9", RanOff(-0.001), 0, "depth_m: found -0.001 m; write above 0"),
    ("run off for longer than open", "spool-9", RanOff(0.001, minutes=300), 0, "minutes: found 300"),
    ("cylinder in the oven", "mix-1", CylinderMoved("rod-oven"), 0, "rod-oven (oven); is not for cylinders"),
    (
        "unknown gas",
        "cyl-9",
        CylinderDelivered("C", "phlogiston", "gas-cage"),
        0,
        "gas: found phlogiston; use one of",
    ),
    ("cylinder nobody knows", "cyl-9", CylinderConnected("2"), 0, "it was not there then"),
    (
        "plate of no thickness",
        "p-1",
        PlateBroughtIn("P", "slip-bay", 0.0),
        0,
        "thickness_m: found 0 m; write above 0",
    ),
    ("plate nobody knows", "p-2", PlateGone(), 0, "it was not there then"),
    ("store that is none", "slip-bay", StoreChecked(20.0, 0.5), 0, "slip-bay (bay); is not for a reading"),
    ("empty reading", "rod-oven", StoreChecked(), 0, "temperature_c: found nothing"),
    ("oven without temperature", "rod-oven", StoreChecked(None, 0.2), 0, "temperature_c: found nothing"),
    ("desiccant in an oven", "rod-oven", DesiccantRenewed(), 0, "is not for desiccant"),
    ("package named as a cylinder", "mix-1", RODS, 0, "is the label of a cylinder"),
    ("cylinder named as a package", "rods-3", CylinderMoved("slip-bay"), 0, "is the label of a package"),
    ("bead by no rules", "b-1", BeadWelded("d99", Weld.FILLET, 0.3, 0.01), 0, "rule: found d99; use one of"),
    ("bead of no length", "b-1", BeadWelded("d11-static", Weld.FILLET, 0.0, 0.01), 0, "length_m: found 0 m"),
    (
        "pore off the bead",
        "b-1",
        BeadWelded("d11-static", Weld.FILLET, 0.3, 0.01, (Pore(0.001, 0.4),)),
        0,
        "pore 1: position: found 400 mm; must lie on the bead",
    ),
    (
        "bead of an unknown package",
        "b-1",
        BeadWelded("d11-static", Weld.FILLET, 0.3, 0.01, package="rods-77"),
        0,
        "package: found rods-77; is no package known here",
    ),
]


@pytest.fixture
def open_yard(yard: Yard) -> Yard:
    """Rods and a spool opened half an hour ago, an hour after the start."""
    return opened(yard)


@pytest.fixture(scope="module")
def one_yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """The same, for tests that change nothing."""
    folder = tmp_path_factory.mktemp("yard")
    yard = opened(Yard(folder, yard_settings(folder)))
    yield yard
    yard.close()


def opened(yard: Yard) -> Yard:
    yard.run_to(START_S + 0.5 * HOUR)
    yard.enter("rods-3", RODS)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + HOUR)
    return yard


@pytest.mark.parametrize(
    ("subject", "entry", "later_s", "words"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED]
)
def test_an_entry_that_cannot_be_true_is_refused_and_changes_nothing(
    one_yard: Yard, subject: str, entry: Entry, later_s: float, words: str
) -> None:
    yard = one_yard
    before = (yard.ledger.head(), yard.loop.snapshot(), yard.loop.state)
    with pytest.raises(InputError) as refusal:
        yard.enter(subject, entry, yard.fed_s + later_s)
    assert words in str(refusal.value)
    assert (yard.ledger.head(), yard.loop.snapshot(), yard.loop.state) == before


def test_times_in_a_refusal_are_on_the_wall_clock_of_the_shop(open_yard: Yard) -> None:
    with pytest.raises(InputError, match=r"opened already, 2026-09-09 01:30 \+0100"):
        open_yard.enter("rods-3", RODS)


def test_nothing_follows_a_withdrawal_until_it_is_taken_back(open_yard: Yard) -> None:
    yard = open_yard
    withdrawn = yard.enter("rods-3", Withdrawn())
    with pytest.raises(InputError, match="nothing follows that; take that entry back first"):
        yard.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    yard.correct(withdrawn, void=True)
    yard.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    assert yard.package("rods-3").zone == "slip-bay"


def test_an_opening_cannot_be_taken_back_while_entries_lean_on_it(open_yard: Yard) -> None:
    yard = open_yard
    opened = yard.ledger.events(subject="rods-3")[0]
    moved = yard.enter("rods-3", Moved(Place.OPEN_AIR, "slip-bay"))
    with pytest.raises(InputError, match="it was not open then"):
        yard.correct(opened, void=True)
    with pytest.raises(InputError, match="it was not open then"):
        yard.correct(opened, time_s=moved.time_s + 30.0)
    yard.correct(moved, void=True)
    yard.correct(opened, void=True)
    assert [p.id for p in yard.loop.snapshot().packages] == ["spool-9"]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"of": 999, "void": True}, "of: found 999; is no entry of this thing"),
        ({"void": True}, "of: found None"),
        ({}, "say void, or a new time, or a new entry"),
        ({"void": "yes"}, "void: found 'yes'; write true or false"),
        ({"time_s": "six"}, "time_s: found 'six'"),
        ({"time_s": START_S + 90 * HOUR}, "lies in the future"),
        ({"body": {"entry": "opened", "name": "R", "consumable": "e9999", "zone": "slip-bay"}}, "e9999"),
        ({"body": {"entry": "moved", "place": "roof", "zone": "slip-bay"}}, "place: found roof"),
        ({"void": True, "colour": "red"}, "colour: found 'red'; is not part of a correction"),
    ],
)
def test_a_correction_that_cannot_be_is_refused(open_yard: Yard, body: dict[str, object], words: str) -> None:
    opened = open_yard.ledger.events(subject="rods-3")[0]
    if "of" not in body and body != {"void": True}:
        body = {"of": opened.number, **body}
    head = open_yard.ledger.head()
    with pytest.raises(InputError) as refusal:
        open_yard.keeper.record(
            NewEvent(EventKind.CORRECTION, "rods-3", open_yard.fed_s, LEAD, body), open_yard.fed_s
        )
    assert words in str(refusal.value)
    assert open_yard.ledger.head() == head


def test_a_correction_is_not_put_right_itself(open_yard: Yard) -> None:
    opened = open_yard.ledger.events(subject="rods-3")[0]
    slip = open_yard.correct(opened, time_s=opened.time_s - 60.0)
    with pytest.raises(
        InputError, match=f"is itself a correction; name the entry it was about .{opened.number}"
    ):
        open_yard.correct(slip, void=True)


def test_who_is_always_said(open_yard: Yard) -> None:
    event = NewEvent(EventKind.PACKAGE, "rods-3", open_yard.fed_s, " ", body_of(GotWet()))
    with pytest.raises(InputError, match="who: found nothing; say who you are"):
        open_yard.keeper.record(event, open_yard.fed_s)


@pytest.mark.parametrize("body", [{"entry": "dance"}, {}, {"entry": "test-bead", "sound": 1}])
def test_a_body_nobody_can_read_is_refused(open_yard: Yard, body: dict[str, object]) -> None:
    event = NewEvent(EventKind.PACKAGE, "rods-3", open_yard.fed_s, LEAD, body)
    with pytest.raises(InputError):
        open_yard.keeper.record(event, open_yard.fed_s)


def test_one_bead_told_twice_counts_once(open_yard: Yard) -> None:
    yard = open_yard
    first = yard.enter("spool-9", TestBead(sound=False, bead="bead-1"))
    again = yard.enter("spool-9", TestBead(sound=False, bead="bead-1"))
    assert first == again
    assert yard.package("spool-9").verdict == "over"  # one unsound bead, not two: not withdrawn
