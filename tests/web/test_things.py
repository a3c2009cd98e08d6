"""The rack: what is tapped becomes one entry, what cannot be true changes nothing."""

import csv
import re
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
import requests

from monitor.consumables.classes import Place
from monitor.history.entries import (
    GotWet,
    Moved,
    Opened,
    PlateBroughtIn,
    RanOff,
    StoreChecked,
    body_of,
    entry_of,
)
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.web.frame.local_time import Turn, moment_of
from monitor.web.pages.deeds import DEEDS, FIRST, DeedForm, deed_named, strict_turn
from monitor.web.server import Server
from tests.web import sample

LONDON = ZoneInfo("Europe/London")
Fields = dict[str, str]


def hidden(session: requests.Session, address: str) -> Fields:
    html = session.get(address, timeout=10).text
    form = re.search(r'<form[^>]*class="deeds".*?</form>', html, re.S)
    assert form
    found = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form.group()))
    return {**found, "who": sample.LEAD}


def entered(shop: sample.Shop, subject: str) -> list[Event]:
    return shop.ledger.events(subject=subject)


def test_bagging_a_spool_is_one_entry_with_place_zone_and_person(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = hidden(session, site.url + "/thing/spool-12")
        page = session.post(
            site.url + "/thing/spool-12", data={**form, "zone": "wire-store", "deed": "bagged"}, timeout=10
        )
    assert "Bagged, Wire Store, 05:52." in page.text
    (event,) = entered(own, "spool-12")
    assert entry_of(event.kind, event.body) == Moved(Place.BAGGED, "wire-store")
    assert (event.who, event.time_s) == (sample.LEAD, sample.NOW_S)


def test_a_double_tap_or_a_second_sending_changes_nothing_twice(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "sound"}
        pages = [session.post(site.url + "/thing/spool-12", data=form, timeout=10) for _ in range(3)]
    assert {page.status_code for page in pages} == {200}
    assert len(entered(own, "spool-12")) == 1


def test_a_tap_that_waited_on_the_phone_counts_from_the_tap(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "bagged", "ago": "600.5"}
        session.post(site.url + "/thing/spool-12", data=form, timeout=10)
    (event,) = entered(own, "spool-12")
    assert event.time_s == pytest.approx(sample.NOW_S - 600.5)
    assert event.entered_s == sample.NOW_S


def test_an_earlier_time_is_taken_on_the_shop_s_clock(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "bagged", "at": "2026-09-17T21:30"}
        session.post(site.url + "/thing/spool-12", data=form, timeout=10)
    (event,) = entered(own, "spool-12")
    assert event.time_s == datetime(2026, 9, 17, 21, 30, tzinfo=LONDON).timestamp()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"deed": "bagged", "at": "2026-09-19T06:00"}, "lies in the future"),
        ({"deed": "bagged", "at": "2026-09-10T06:00"}, "before"),
        ({"deed": "bagged", "at": "soon"}, "write day and time"),
        ({"deed": "bagged", "zone": "attic"}, "choose one of"),
        ({"deed": "oven@slip-bay"}, "choose one of"),
        ({"deed": "melted"}, "use one of"),
        ({"deed": "opened"}, "use one of"),
        ({"deed": "bagged", "who": ""}, "who"),
        ({"deed": "bagged", "ago": "-5"}, "ago"),
        ({"deed": "bagged", "ago": "inf"}, "ago"),
    ],
)
def test_an_entry_that_cannot_be_true_changes_nothing(
    own: sample.Shop, site: Server, change: Fields, words: str
) -> None:
    with requests.Session() as session:
        form = hidden(session, site.url + "/thing/spool-12")
        page = session.post(site.url + "/thing/spool-12", data={**form, **change}, timeout=10)
    assert page.status_code == 422
    assert words in page.text
    assert "Nothing was changed." in page.text
    assert entered(own, "spool-12") == []


def test_a_slip_is_undone_by_a_new_entry_that_stays_on_record(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "withdrawn"}
        session.post(site.url + "/thing/spool-12", data=form, timeout=10)
        (event,) = entered(own, "spool-12")
        undo = {"form_token": form["form_token"], "of": str(event.number), "who": sample.LEAD}
        page = session.post(site.url + "/thing/spool-12/undo", data=undo, timeout=10)
    assert "(withdrawn)" in page.text
    kinds = [one.kind for one in entered(own, "spool-12")]
    assert kinds == [EventKind.PACKAGE, EventKind.CORRECTION]
    known = own.deps.rack()
    assert not known["spool-12"].ended


def test_an_entry_put_right_or_standing_again_is_not_called_withdrawn(own: sample.Shop, site: Server) -> None:
    now_s = sample.NOW_S
    wet = body_of(GotWet())
    first, second = own.ledger.commit(
        [NewEvent(EventKind.PACKAGE, "spool-12", now_s - 60 * n, sample.LEAD, wet) for n in (1, 2)],
        entered_s=now_s,
    )

    def correct(**body: object) -> str:
        event = NewEvent(EventKind.CORRECTION, "spool-12", now_s, sample.LEAD, dict(body))
        own.ledger.commit([event], entered_s=now_s)
        return requests.get(site.url + "/thing/spool-12", timeout=10).text

    assert "(withdrawn)" not in correct(of=first.number, time_s=now_s - 90)
    assert correct(of=second.number, void=True).count("(withdrawn)") == 1
    assert "(withdrawn)" not in correct(of=second.number, void=False)


def test_a_label_nobody_used_yet_asks_what_it_is_and_opens_it(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        page = session.get(site.url + "/thing/spool-99", timeout=10)
        assert page.url.endswith("/things/new?id=spool-99")
        form = hidden(session, page.url)
        sent = {
            **form,
            "name": "Spool 99",
            "zone": "slip-bay",
            "consumable": "fcaw-folded-h4",
            "deed": "opened",
        }
        page = session.post(site.url + "/thing/spool-99?kind=package", data=sent, timeout=10)
    assert "Opened, fcaw-folded-h4, on machine, Slip Bay" in page.text
    (event,) = entered(own, "spool-99")
    assert entry_of(event.kind, event.body) == Opened("Spool 99", "fcaw-folded-h4", "slip-bay")
    assert "Spool 99" in requests.get(site.url + "/things", timeout=10).text


def test_a_thing_that_was_never_entered_cannot_be_moved(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = hidden(session, site.url + "/things/new?id=spool-99")
        sent = {**form, "zone": "slip-bay", "deed": "bagged"}
        page = session.post(site.url + "/thing/spool-99?kind=package", data=sent, timeout=10)
    assert page.status_code == 422
    assert "enter first what it is" in page.text
    assert entered(own, "spool-99") == []


@pytest.mark.parametrize("name", ["../etc", "Spool 7", "x" * 49, "a_b"])
def test_only_labels_name_things(site: Server, name: str) -> None:
    assert requests.get(f"{site.url}/thing/{name}", timeout=10).status_code == 404


def test_an_oven_check_is_taken_in_the_shop_s_unit(own: sample.Shop) -> None:
    fahrenheit = sample.settings(temperature_unit="F")
    form = DeedForm(deed="checked", who="x", key="12345678", temperature=250.0)
    nothing = DeedForm(deed="checked", who="x", key="12345678")
    made = deed_named("store", "checked", known=True).make(form, fahrenheit)
    # 250 °F is 121 °C: the holding temperature of AWS D1.1/D1.1M:2015, 5.3.2.1 in both its units
    assert isinstance(made, StoreChecked)
    assert made.temperature_c == pytest.approx(121.1, abs=0.05)
    with pytest.raises(InputError):
        deed_named("store", "checked", known=True).make(nothing, fahrenheit)


def test_layers_run_off_become_a_depth(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "ran-off@2", "wire_mm": "1.2"}
        session.post(site.url + "/thing/spool-12", data=form, timeout=10)
    (event,) = entered(own, "spool-12")
    # Two layers of 1.2 mm, each 0.9 diameters deep (shared/spools.toml).
    made = entry_of(event.kind, event.body)
    assert made == RanOff(pytest.approx(2 * 0.9 * 0.0012), wire_m=pytest.approx(0.0012))


def test_every_kind_of_entry_that_a_phone_needs_has_its_button() -> None:
    # the list of the shop's three-tap deeds
    package = {
        "machine",
        "bagged",
        "bagged-anew",
        "cabinet",
        "oven",
        "redry",
        "ran-off",
        "sound",
        "not-sound",
        "withdrawn",
    }
    assert package <= {deed.id for deed in DEEDS if deed.kind == "package"}
    assert {"brought-in", "connected", "changed"} <= {deed.id for deed in DEEDS if deed.kind == "cylinder"}
    assert set(FIRST) == {"package", "cylinder", "plate"}


def test_of_a_time_that_comes_twice_the_longer_exposure_counts_and_a_missing_time_is_refused() -> None:
    # clocks in Great Britain: back on 25 October 2026, forward on 29 March 2026
    first = datetime.fromisoformat("2026-10-25T00:30Z").timestamp()
    twice = "2026-10-25T01:30"
    rods = Opened("Rods", "e7018", "slip-bay")
    for entry, place, wanted_s in (
        (rods, "", first),  # opened: the earlier
        (Moved(Place.OPEN_AIR, "slip-bay"), "sealed", first),
        (Moved(Place.HOLDING_OVEN, "rod-oven"), "on machine", first + 3600.0),  # closed: the later
        (Moved(Place.BAGGED, "slip-bay"), "open air", first + 3600.0),
    ):
        assert moment_of(twice, LONDON, strict_turn(entry, place)) == wanted_s
    for entry in (Moved(Place.BAGGED, "slip-bay"), StoreChecked(130.0)):  # out of an oven; a reading
        with pytest.raises(InputError, match=r"say which, first or second: 2026-10-25T01:30\+01:00 or "):
            moment_of(twice, LONDON, strict_turn(entry, "holding oven"))
    assert moment_of(twice + "+00:00", LONDON, Turn.ASK) == first + 3600.0
    with pytest.raises(InputError, match="clocks went forward"):
        moment_of("2026-03-29T01:30", LONDON, Turn.ASK)


def test_the_history_leaves_as_csv(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = {**hidden(session, site.url + "/thing/spool-12"), "deed": "bagged"}
        session.post(site.url + "/thing/spool-12", data=form, timeout=10)
    text = requests.get(site.url + "/thing/spool-12/history.csv", timeout=10).text
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == 2
    declared, entered = rows  # what the settings file says of it comes first, without number and hash
    assert (declared["number"], declared["hash"], declared["why"]) == ("", "", "settings file")
    assert declared["what"].startswith("opened, ")
    assert "bagged" in entered["what"]


def test_a_package_of_the_settings_has_a_history_before_anything_is_entered(site: Server) -> None:
    (row,) = csv.DictReader(
        requests.get(site.url + "/thing/spool-12/history.csv", timeout=10).text.splitlines()
    )
    assert row["what"].startswith("opened, ")
    assert row["happened_utc"].endswith("Z")
    text = requests.get(site.url + "/thing/mix-6/history.csv", timeout=10).text
    (row,) = csv.DictReader(text.splitlines())
    assert (row["what"][:9], row["happened_utc"]) == ("delivered", "")
    page = requests.get(site.url + "/thing/spool-12", timeout=10).text
    assert "As the settings file says" in page
    assert "Nothing entered yet" not in page


def test_cylinders_and_plates_come_in_by_name(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        form = hidden(session, site.url + "/things/new?kind=plate&id=plate-9")
        bad = {**form, "name": "Skin", "zone": "slip-bay", "deed": "brought-in"}
        page = session.post(site.url + "/thing/plate-9?kind=plate", data=bad, timeout=10)
        assert page.status_code == 422
        assert "enter the thickness" in page.text
        session.post(site.url + "/thing/plate-9?kind=plate", data={**bad, "thickness_mm": "12"}, timeout=10)
        form = hidden(session, site.url + "/things/new?kind=cylinder&id=cylinder-9")
        sent = {**form, "name": "Argon 9", "zone": "gas-cage", "gas": "argon", "deed": "delivered"}
        session.post(site.url + "/thing/cylinder-9?kind=cylinder", data=sent, timeout=10)
        form = hidden(session, site.url + "/thing/cylinder-9")
        session.post(site.url + "/thing/cylinder-9", data={**form, "deed": "changed"}, timeout=10)
    known = own.deps.rack()
    assert (known["plate-9"].what, known["plate-9"].zone) == ("12 mm", "slip-bay")
    assert known["cylinder-9"].ended


def test_a_wire_that_calls_for_it_says_what_to_run_off_and_what_the_numbers_rest_on(site: Server) -> None:
    page = requests.get(site.url + "/thing/spool-7", timeout=10).text
    part = page.split('id="run-off"')[1].split("</section>")[0]
    assert "about 15 minutes" in part
    assert "test bead" in part
    assert "common practice" in part
    assert "data sheet and the qualified procedure rule" in part
    assert 'id="run-off"' not in requests.get(site.url + "/thing/spool-12", timeout=10).text


def test_the_rack_shows_the_next_step_of_what_is_not_in_order(site: Server) -> None:
    page = requests.get(site.url + "/things", timeout=10).text
    row = page.split('id="rack-spool-7"')[1].split("</li>")[0]
    assert "Run off the outer wraps, weld a test bead" in row


def test_an_entry_is_on_the_page_and_in_the_file_however_many_came_before_it(
    own: sample.Shop, site: Server
) -> None:
    checks = [
        NewEvent(
            EventKind.STORAGE, "rod-oven", sample.NOW_S - 600 + n, sample.LEAD, body_of(StoreChecked(130.0))
        )
        for n in range(501)
    ]
    written = own.ledger.commit(checks, entered_s=sample.NOW_S)
    page = requests.get(f"{site.url}/thing/rod-oven", timeout=10).text
    assert f"No. {written[-1].number}" in page
    fresh = requests.get(f"{site.url}/thing/rod-oven?done={written[-1].number}", timeout=10).text
    assert f'name="of" value="{written[-1].number}"' in fresh  # so it can be taken back
    assert f"/thing/rod-oven?before={written[1].number}" in page
    assert "1 earlier" in page
    rows = requests.get(f"{site.url}/thing/rod-oven/history.csv", timeout=10).text.splitlines()
    assert len(rows) == 1 + 501


def test_the_rack_forgets_nothing_however_long_ago_it_was_entered(own: sample.Shop) -> None:
    long_ago = NewEvent(
        EventKind.STEEL,
        "keel-9",
        sample.NOW_S - 500 * 86_400.0,
        sample.LEAD,
        body_of(PlateBroughtIn("Keel plate 9", "slip-bay", 0.02)),
    )
    own.ledger.commit([long_ago], entered_s=sample.NOW_S)
    assert "keel-9" in own.deps.rack()


def test_what_speaks_against_the_oven_is_shown_first_and_entered_only_when_asked_again(
    own: sample.Shop,
) -> None:
    own.deps = replace(own.deps, oven_doubts=lambda *_: ("Plastic spools melt.",))
    server = sample.start(own)
    try:
        with requests.Session() as session:
            address = server.url + "/thing/spool-12"
            oven = next(zone.id for zone in own.deps.settings.zones if zone.kind == "oven")
            form = {**hidden(session, address), "deed": f"redry@{oven}"}
            first = session.post(address, data=form, timeout=10)
            assert (first.status_code, entered(own, "spool-12")) == (422, [])
            assert "Plastic spools melt." in first.text
            again = session.post(address, data={**form, "sure": "true"}, timeout=10)
        assert again.status_code == 200
        (event,) = entered(own, "spool-12")
        assert entry_of(event.kind, event.body) == Moved(Place.REDRY, oven)
    finally:
        server.stop()
