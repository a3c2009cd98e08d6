"""A lead's calendar, read as a calendar program reads it (RFC 5545)."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
import requests
from icalendar import Calendar, Event

from monitor.model.level import Level
from monitor.model.picture import not_judged
from monitor.model.staff import OnCall
from monitor.web.server import Server
from tests.web import sample

HOUR_S = 3_600.0


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[tuple[sample.Shop, Server]]:
    """The sample with Morgan on call on the late shift and Ines on the day shift."""
    told = OnCall(site="ferrymoor", steps=("lead-1",), by_shift={"Late": "lead-1", "Day": "lead-2"})
    settings = sample.settings()
    checked = settings.sensors[0].model_copy(update={"calibrated_on": date(2026, 3, 2)})
    sensors = (checked, *settings.sensors[1:])
    settings = settings.model_copy(update={"on_call": (told,), "sensors": sensors})
    shop = sample.open_shop(tmp_path, filled=False, shop=settings)
    dry = tuple(replace(zone, desiccant_due_s=sample.NOW_S + 30 * HOUR_S) for zone in shop.picture.zones[:1])
    shifts = tuple(replace(one, id=f"shift-{n}") for n, one in enumerate(shop.picture.shifts))
    shop.picture = replace(shop.picture, zones=(*dry, *shop.picture.zones[1:]), shifts=shifts)
    server = sample.start(shop)
    yield shop, server
    server.stop()
    shop.series.close()
    shop.ledger.close()


def address(server: Server, who: str = sample.LEAD) -> str:
    """As the page shows it to somebody whose name the phone knows."""
    page = requests.get(
        server.url + "/calendar", cookies={"dryshift_who": who.replace(" ", "%20")}, timeout=10
    )
    found = re.search(r'readonly value="([^"]+)"', page.text)
    assert found is not None
    return found.group(1)


def read(where: str) -> dict[str, Event]:
    """The events by UID, held against what RFC 5545 asks of every one."""
    answer = requests.get(where, timeout=10)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert all(len(line) <= 75 for line in answer.content.split(b"\r\n"))  # 3.1
    assert b"\n" not in answer.content.replace(b"\r\n", b"")
    calendar = Calendar.from_ical(answer.content)
    assert (calendar["version"], calendar["method"]) == ("2.0", "PUBLISH")
    events = {str(one["uid"]): one for one in calendar.walk("VEVENT")}
    assert len(events) == len(calendar.walk("VEVENT"))  # 3.8.4.7
    assert all("DTSTAMP" in one and "DTSTART" in one for one in events.values())  # 3.6.1
    assert not any(one.errors for one in events.values())
    return events


def test_it_holds_humid_and_unknown_shifts_deadlines_due_dates_and_ones_own_turns(
    yard: tuple[sample.Shop, Server],
) -> None:
    shop, server = yard
    events = read(address(server))
    said = {str(one["summary"]): one for one in events.values()}
    day = said["Humid: Day, Ferrymoor Slipway"]
    assert day.decoded("dtstart") == datetime.fromtimestamp(shop.picture.shifts[0].start_s, UTC)
    assert "gas and steel wet" in str(day["description"])
    unknown = said["Not known: Saturday, Ferrymoor Slipway"]
    assert (str(unknown["status"]), str(day["status"])) == ("TENTATIVE", "CONFIRMED")
    door = said["Keep the Slip Bay door shut until 09:00."]
    assert door.decoded("dtend") == datetime.fromtimestamp(shop.picture.actions[0].by_s, UTC)
    assert "Bag the two spools on the feeders." not in said  # it is done
    assert any(name.startswith("Check sensor ") for name in said)
    desiccant = next(one for name, one in said.items() if name.startswith("Renew the desiccant: "))
    assert isinstance(desiccant.decoded("dtstart"), date)
    turns = [one for one in events.values() if str(one["uid"]).startswith("on-call/")]
    assert {str(one["summary"]) for one in turns} == {"On call: Late, Ferrymoor Slipway"}
    assert len(turns) >= 9  # weekdays of a fortnight
    ines = read(address(server, "Ines Calloway"))
    assert {str(one["summary"]) for one in ines.values() if "on-call" in one["uid"]} == {
        "On call: Day, Ferrymoor Slipway"
    }


def test_what_is_read_again_is_the_same_and_what_changes_counts_up(yard: tuple[sample.Shop, Server]) -> None:
    shop, server = yard
    where = address(server)
    first = requests.get(where, timeout=10).content
    shop.now_s += 600.0
    before, again = read(where), read(where)
    assert {uid: one.to_ical() for uid, one in before.items()} == {u: o.to_ical() for u, o in again.items()}
    assert set(before) == {str(one["uid"]) for one in Calendar.from_ical(first).walk("VEVENT")}
    later = replace(shop.picture.shifts[0], start_s=shop.picture.shifts[0].start_s + HOUR_S)
    shop.picture = replace(shop.picture, shifts=(later, *shop.picture.shifts[1:]))
    after = read(where)
    uid = "shift/ferrymoor/shift-0@dryshift"
    assert after[uid].decoded("dtstart") != before[uid].decoded("dtstart")
    assert after[uid]["sequence"] > before[uid]["sequence"]  # 3.8.7.4
    assert after[uid].decoded("last-modified") > before[uid].decoded("last-modified")


def test_a_shift_that_turns_out_dry_is_cancelled_and_one_nobody_judges_is_not(
    yard: tuple[sample.Shop, Server],
) -> None:
    shop, server = yard
    where, full = address(server), shop.picture
    uid = "shift/ferrymoor/shift-1@dryshift"
    assert str(read(where)[uid]["status"]) == "CONFIRMED"
    shop.picture = not_judged(full, "the clock cannot be believed")
    unknown = read(where)[uid]
    assert (str(unknown["status"]), str(unknown["summary"]).startswith("Not known: ")) == ("TENTATIVE", True)
    dry = tuple(replace(one, level=Level.SAFE) for one in full.shifts)
    shop.picture = replace(full, shifts=dry, actions=())
    withdrawn = read(where)
    assert str(withdrawn[uid]["status"]) == "CANCELLED"
    assert str(withdrawn["action/door@dryshift"]["status"]) == "CANCELLED"
    shop.picture = full
    assert str(read(where)[uid]["status"]) == "CONFIRMED"
    shop.now_s = full.shifts[1].end_s + 60.0  # over is not called off
    shop.picture = replace(full, shifts=(), actions=())
    assert str(read(where)[uid]["status"]) == "CONFIRMED"
    shop.now_s += 25 * HOUR_S
    assert uid not in read(where)


def test_an_address_opens_ones_own_calendar_alone_and_ends_when_it_is_renewed(
    yard: tuple[sample.Shop, Server],
) -> None:
    shop, server = yard
    where = address(server)
    token = where.partition("token=")[2]
    for wrong in ("", token[:-1], token.replace("lead-1", "lead-2"), "lead-1.", "nobody." + token[7:]):
        answer = requests.get(f"{server.url}/calendar.ics?token={wrong}", timeout=10)
        assert answer.status_code == 404, wrong
    with requests.Session() as browser:
        page = browser.get(server.url + "/calendar", cookies={"dryshift_who": "Morgan%20Reyd"}, timeout=10)
        form = re.search(r'name="form_token" value="([^"]+)"', page.text)
        assert form is not None
        sent = {"form_token": form.group(1), "who": sample.LEAD}
        assert browser.post(server.url + "/calendar", data=sent, timeout=10).status_code == 200
    assert requests.get(where, timeout=10).status_code == 404
    assert address(server) != where
    read(address(server))
    assert shop.ledger.events(subject="calendar:lead-1")[0].who == sample.LEAD


def test_before_anybody_looked_ahead_a_calendar_program_keeps_what_it_has(
    yard: tuple[sample.Shop, Server],
) -> None:
    shop, server = yard
    where = address(server)
    shop.picture, shop.looked = replace(shop.picture, shifts=()), ()
    assert requests.get(where, timeout=10).status_code == 503
