"""Who gets which message on which channel, from the shop's settings through the core to the outbox."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.messages import LONGEST
from monitor.alarms.states import CommandKind, CommandRefusedError
from monitor.core.shop import Shop
from monitor.core.step import Foreseen
from monitor.engine.build import build_shop
from monitor.model.event import EventKind
from monitor.model.level import Level
from monitor.model.notification import Notification
from monitor.model.picture import ActionNow, ShiftNow
from monitor.outlook.warning import WarningMemory
from monitor.settings.file import load
from tests.engine.offline import Offline, channels
from tests.engine.yard import START_S, write_shop

LONDON = ZoneInfo("Europe/London")
PEOPLE = """
[[people]]
id = "ann"
name = "Ann"
channels = ["phone"]

[[people]]
id = "ben"
name = "Ben"
channels = ["mail"]

[[people]]
id = "cleo"
name = "Cleo"
channels = ["mail"]

[[on_call]]
site = "yard"
steps = ["ann", "ben", "cleo"]
escalate_after_s = 600

[[channels]]
id = "mail"
kind = "webhook"
url = "http://127.0.0.1:1/mail"

[[channels]]
id = "lamp"
kind = "mqtt"
"""


def shop_file(folder: Path, extra: str = PEOPLE, **changes: str) -> Path:
    file = write_shop(folder, 1, "http://127.0.0.1:1/phone")
    text = file.read_text(encoding="utf-8") + extra
    for old, new in changes.items():
        text = text.replace(old, new)
    file.write_text(text, encoding="utf-8")
    return file


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Offline]:
    offline = Offline(shop_file(tmp_path))
    yield offline
    offline.close()


def warnings(posted: list[tuple[str, Notification]]) -> list[tuple[str, Notification]]:
    return [(channel, note) for channel, note in posted if note.data.get("why") != "digest"]


def test_the_first_on_call_is_told_on_their_own_channel_in_the_sites_own_time(yard: Offline) -> None:
    first, worse = warnings(yard.goes_on(40))
    channel, note = first
    assert (channel, note.data["person"], note.data["telling"]) == ("phone", "Ann", "first")
    began = datetime.fromtimestamp(note.since_s, LONDON)
    assert f"since {began:%H:%M}" in note.text
    assert len(note.text) <= LONGEST
    assert (worse[0], worse[1].priority, worse[1].data["telling"]) == ("phone", "high", "again")


def test_while_nobody_answers_it_goes_up_and_a_shared_channel_rings_for_each_by_name(yard: Offline) -> None:
    posted = warnings(yard.goes_on(90))
    assert channels(posted)[:4] == [
        ("phone", "first"),
        ("phone", "again"),
        ("mail", "escalated"),  # Ben
        ("mail", "escalated"),  # ten minutes on Cleo, in the same mail box
    ]
    mailed = [note for channel, note in posted if channel == "mail"]
    assert [note.data["for"] for note in mailed[:2]] == ["Ben", "Cleo"]
    assert [note.title.split(":")[0] for note in mailed[:2]] == ["For Ben", "For Cleo"]
    assert len({note.key for note in mailed}) == len(mailed)
    assert all(note.data["person"] == "" for note in mailed)  # two read it: a link in it asks who answers
    assert mailed[0].key == f"{posted[1][1].key}>ben"


def test_what_two_who_share_a_channel_are_told_at_once_is_one_message_for_both(yard: Offline) -> None:
    yard.goes_on(75)  # all three know
    name = next(iter(yard.loop.state.courses.courses))
    answered = yard.answers("Ann", name)
    assert [(channel, note.data["for"], note.title) for channel, note in answered] == [
        ("mail", "Ben, Cleo", "For Ben, Cleo: Answered")
    ]


def test_whose_turn_comes_in_quiet_hours_has_a_line_in_the_record(tmp_path: Path) -> None:
    quiet = PEOPLE.replace('name = "Ann"', 'name = "Ann"\nquiet_from = 18:00:00\nquiet_to = 06:00:00')
    yard = Offline(shop_file(tmp_path, quiet))
    try:
        posted = warnings(yard.goes_on(32))
        assert channels(posted) == [("mail", "first")]  # Ben, at once
        (event,) = yard.ledger.events(kinds=[EventKind.DELIVERY])
        assert (event.body["person"], event.body["state"]) == ("Ann", "not_sent")
        assert event.why.startswith("quiet hours: told at their end")
    finally:
        yard.close()


def test_an_answer_by_the_warnings_id_answers_all_of_it_and_the_others_who_know_are_told(
    yard: Offline,
) -> None:
    posted = warnings(yard.goes_on(75))
    assert {channel for channel, _ in posted} == {"phone", "mail"}
    name = posted[-1][1].subject
    answered = yard.answers("Ann", name)
    assert channels(answered) == [("mail", "answered")]
    assert answered[0][1].text.startswith("Ann has answered: ")
    states = {alarm.state for alarm in yard.loop.snapshot().alarms if alarm.priority != "low"}
    assert states == {"acknowledged"}
    (warning,) = yard.loop.snapshot().warnings
    assert (warning.id, warning.answered_by, warning.unanswered) == (name, "Ann", False)
    assert warning.told[0] == "Ann"


def test_the_all_clear_goes_once_to_whoever_was_told(yard: Offline) -> None:
    told = warnings(yard.goes_on(40))
    yard.answers("Ann", told[-1][1].subject)
    over = warnings(yard.goes_on(180, evening_minute=0.0))
    assert channels(over) == [("phone", "cleared")]
    assert over[0][1].text.startswith("All clear: ")
    assert over[0][1].data.get("conditions")  # says what it was about
    assert warnings(yard.goes_on(60, evening_minute=0.0)) == []


def test_low_warnings_stay_on_the_page(tmp_path: Path) -> None:
    yard = Offline(
        shop_file(tmp_path, **{'kind = "bay"': 'kind = "bay"', "thickness_m = 0.025": "thickness_m = 0.0005"})
    )
    try:
        yard.goes_on(60)
        low = [alarm for alarm in yard.loop.snapshot().alarms if alarm.priority == "low"]
        assert low
        assert all(item.notification.priority != "low" for item in yard.ledger.outbox())
    finally:
        yard.close()


def test_a_site_where_nobody_is_on_call_tells_everybody_through_every_channel(tmp_path: Path) -> None:
    nobody = PEOPLE.replace("[[on_call]]", "").split("[[people]]")[0] + PEOPLE[PEOPLE.index("[[channels]]") :]
    yard = Offline(shop_file(tmp_path, nobody))
    try:
        posted = warnings(yard.goes_on(32))
        assert channels(posted) == [("phone", "first"), ("mail", "first")]  # a lamp is no person
    finally:
        yard.close()


def test_whoever_has_the_shift_is_told_before_all_others(tmp_path: Path) -> None:
    shifts = PEOPLE.replace("escalate_after_s", 'by_shift = { evening = "cleo" }\nescalate_after_s')
    shifts += """
[[shifts]]
site = "yard"
name = "evening"
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
start = 18:00:00
end = 06:00:00
"""
    yard = Offline(shop_file(tmp_path, shifts))
    try:
        assert channels(warnings(yard.goes_on(45)))[0] == ("mail", "first")
    finally:
        yard.close()


def test_messages_speak_the_shops_language(tmp_path: Path) -> None:
    yard = Offline(shop_file(tmp_path, **{"[web]": '[web]\nlanguage = "de"'}))
    try:
        first, *_ = warnings(yard.goes_on(45))
        assert "Taupunkt seit" in first[1].text or "schwitzt" in first[1].text
    finally:
        yard.close()


def test_the_course_of_a_warning_survives_a_restart(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    yard = Offline(file)
    told = warnings(yard.goes_on(40))
    yard.loop.save()
    yard.close()
    again = Offline(file)
    again.now_s = again.loop.state.time_s
    try:
        assert again.loop.state.courses.courses.keys() == {told[-1][1].subject}
        posted = warnings(again.goes_on(20))
        assert channels(posted) == [("mail", "escalated")] * 2
    finally:
        again.close()


def test_a_warning_that_nobody_answers_is_itself_high_on_the_page(yard: Offline) -> None:
    yard.goes_on(75)
    assert yard.loop.state.courses.courses
    yard.goes_on(120, evening_minute=75.0)
    (alarm,) = [a for a in yard.loop.snapshot().alarms if a.condition == "warnings_undeliverable.service"]
    assert (alarm.priority, alarm.title) == ("high", "Warnings do not get through")
    assert alarm.text.startswith("1 warning unanswered since ")
    (unanswered,) = [w for w in yard.loop.snapshot().warnings if "damp_air" in w.id]
    yard.answers("Ann", unanswered.id)
    yard.goes_on(15, evening_minute=75.0)
    (alarm,) = [a for a in yard.loop.snapshot().alarms if a.condition == "warnings_undeliverable.service"]
    assert alarm.state == "returned_unacknowledged"


def test_every_act_of_a_person_goes_through_the_core_and_into_the_record(yard: Offline) -> None:
    yard.goes_on(45)
    name = "body_wet.plate-keel"
    states = []
    for kind in (
        CommandKind.ACKNOWLEDGE,
        CommandKind.SHELVE,
        CommandKind.UNSHELVE,
        CommandKind.TAKE_OUT_OF_SERVICE,
        CommandKind.RETURN_TO_SERVICE,
    ):
        yard.answers("Ann", name, kind)
        states.append(str(yard.loop.state.book.alarms[name].state))
    assert states == ["acknowledged", "shelved", "unacknowledged", "out_of_service", "unacknowledged"]
    by_ann = [e.body["trigger"] for e in yard.ledger.events(subject=name) if e.who == "Ann"]
    assert by_ann == ["acknowledge", "shelve", "unshelve", "take_out_of_service", "return_to_service"]
    with pytest.raises(CommandRefusedError, match="it is not latched"):
        yard.answers("Ann", name, CommandKind.RESET)


def shift(hours: float, odds: float, *, warned: bool) -> ShiftNow:
    start_s = START_S + hours * 3600.0
    return ShiftNow(
        name="early",
        site="yard",
        start_s=start_s,
        end_s=start_s + 8 * 3600.0,
        level=Level.CAUTION,
        probability_frac=odds,
        reason="dew point 13 °C over Keel plate at 11 °C",
        id=f"yard:early:{hours:g}",
        warned=warned,
    )


def test_a_humid_spell_ahead_is_one_message_with_its_plan_and_is_called_off_once(yard: Offline) -> None:
    ahead = (shift(10, 0.9, warned=True), shift(18, 0.8, warned=False))
    do = ActionNow("a", "Bring Keel plate into Slip Bay", ahead[0].start_s - 7200.0, 0.2, shift=ahead[0].id)
    yard.foresees(Foreseen(ahead, (do,), WarningMemory()))
    (told,) = warnings(yard.goes_on(5, evening_minute=0.0))
    note = told[1]
    assert note.title.startswith("Humid until ")
    assert "2 shifts, chance up to 90%: dew point 13 C over Keel plate at 11 C. By" in note.text
    assert "Bring Keel plate into Slip Bay" in note.action
    assert len(note.data["conditions"]) == 2
    # a warning of the second by itself is no news
    yard.foresees(Foreseen((ahead[0], replace(ahead[1], warned=True)), (do,), WarningMemory()))
    assert warnings(yard.goes_on(5, evening_minute=0.0)) == []
    dry = tuple(replace(one, probability_frac=0.05, warned=False) for one in ahead)
    yard.foresees(Foreseen(dry, (), WarningMemory()))
    yard.answers("Ann", note.subject)
    over = warnings(yard.goes_on(180, evening_minute=0.0))
    assert channels(over) == [("phone", "cleared")]
    assert "no longer look humid" in over[0][1].text


def test_a_shift_that_is_over_is_shown_no_more_though_nobody_has_looked_ahead_since(yard: Offline) -> None:
    before, coming = shift(-7.95, 0.9, warned=True), shift(10, 0.9, warned=True)
    do = tuple(ActionNow(one.id, "Shut the door", one.start_s, 0.2, shift=one.id) for one in (before, coming))
    yard.foresees(Foreseen((before, coming), do, WarningMemory()))
    yard.goes_on(5, evening_minute=0.0)
    now = yard.loop.snapshot()
    assert [one.id for one in now.shifts] == [one.id for one in now.actions] == [coming.id]


def test_the_daily_word_reaches_everybody_on_call_at_its_hour(yard: Offline) -> None:
    hours = (datetime(2026, 9, 9, 6, 0, tzinfo=LONDON).timestamp() - START_S) / 3600.0
    posted = yard.goes_on(60.0 * hours + 5, evening_minute=0.0)
    daily = [(channel, note) for channel, note in posted if note.data.get("why") == "digest"]
    assert [channel for channel, _ in daily] == ["phone", "mail"]
    note = daily[0][1]
    assert note.key == "digest/yard/2026-09-09"
    assert note.text.startswith("All well at 06:00: 1 zones in order. All 1 sensors report.")
    assert note.data["lines"] == ["Slip Bay: dry enough: 50 %RH"]


def test_the_shop_of_the_settings_knows_its_people(tmp_path: Path) -> None:
    shop: Shop = build_shop(load(shop_file(tmp_path)))
    assert shop.roster.on_call["yard"].steps == ("ann", "ben", "cleo")
    assert shop.channels == {"ann": ("phone",), "ben": ("mail",), "cleo": ("mail",)}
