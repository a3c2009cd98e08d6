"""The record on paper, made of a small shop's ordinary week and read back from its PDF."""

import email
import email.policy
import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.alarms.catalogue import catalogue_from
from monitor.engine.paper_records import Wanted, on_paper, sources_of
from monitor.engine.record_post import RecordPost
from monitor.model.event import Event, EventKind
from monitor.model.place import Zone
from monitor.model.shift_span import ShiftSpan
from monitor.notify.courier import Courier
from monitor.notify.email import EmailSender
from monitor.report import paper as paper_module
from monitor.report.chart import Window
from monitor.report.condition_words import AlarmWords
from monitor.report.paper import PaperSize, PaperUnavailableError, can_print
from monitor.report.sheet import SheetSection
from monitor.report.shift_lines import shift_lines
from monitor.report.warning_lives import lives_of
from monitor.report.week_chart import drawn_zones
from monitor.report.week_record import WeekRecord, week_record
from monitor.report.zone_series import WIDTH_S, ZoneSeries, limit_of, read_zone, sums
from monitor.settings.reference import load_toml
from monitor.settings.schema import Channel, Settings
from monitor.store.contract import Bucket
from tests.bookkeeper import small_shop
from tests.bookkeeper.yard import Yard
from tests.receivers import mail_receiver
from tests.web.printed import PrintedPage, read_back, tagged

SIZES_PT = {PaperSize.A4: (595, 842), PaperSize.LETTER: (612, 792)}
WEEK = Wanted("week", small_shop.WEEK, "tarn-hollow")
WORDS = AlarmWords(catalogue_from(load_toml("conditions.toml")), {})
pytestmark = pytest.mark.skipif(not can_print(), reason="the extra named paper is not installed")


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    yard = small_shop.live_week(tmp_path_factory.mktemp("record"))
    yield yard
    yard.close()


@pytest.fixture(scope="module")
def record(yard: Yard) -> WeekRecord:
    return week_record(small_shop.sources(yard), WEEK.site, WEEK.of)


def pages(yard: Yard, wanted: Wanted, size: PaperSize = PaperSize.A4) -> list[PrintedPage]:
    pdf = on_paper(small_shop.sources(yard), wanted, size)
    assert tagged(pdf)
    assert b"pdfaid" in pdf  # PDF/A says in its metadata what it is
    return read_back(pdf)


def flat(sheets: list[PrintedPage]) -> str:
    return re.sub(r"\s+", " ", " ".join(one.text for one in sheets))


def column(section: SheetSection, name: str) -> list[str]:
    return [row[section.columns.index(name)] for row in section.rows]


@pytest.mark.parametrize("size", PaperSize)
@pytest.mark.parametrize(
    ("wanted", "most"),
    [
        (WEEK, 2),
        (Wanted("package", "spool-31"), 1),
        (Wanted("package", "rods-5"), 1),
        (Wanted("lot", "K-204"), 1),
        (Wanted("job", "Gantry 3"), 1),
    ],
    ids=["week", "spool", "rods", "lot", "job"],
)
def test_a_record_is_one_sheet_or_two_with_nothing_printed_over_anything(
    yard: Yard, wanted: Wanted, most: int, size: PaperSize
) -> None:
    found = pages(yard, wanted, size)
    assert len(found) <= most
    for one in found:
        assert one.size_pt == pytest.approx(SIZES_PT[size], abs=1.0)
        assert one.overprinted() == []
        assert one.outside() == []


def test_the_weeks_record_holds_what_an_auditor_signs(yard: Yard) -> None:
    said, head = flat(pages(yard, WEEK)), yard.ledger.head()
    for words in (
        "Tarn Hollow Frames: record of week 38, 2026 (Mon 14 Sep to Sun 20 Sep)",
        "Coldest surface, °C above its dew point",  # the chart's words can be searched too
        "Shifts", "Out of limits", "Packages open", "Test beads", "Warnings and answers", "Instruments",
        "Numbers used", "never entered", "temperature ±0.3 °C, humidity ±2 %RH",
        "Spool 31 (spool-31)", "bead-1", "Jonna Veldt", "Web plate 20 mm",
        "Made by: name, date, signature", "Reviewed by:", "Inspector:",
        f"event {head.number}, SHA-256 {head.hash}", "dryshift verify SETTINGS",
        "Compressed gas", "licensed people decide", "qualified procedure",
        "(common practice)", "(published",
    ):  # fmt: skip
        assert words in said, words


def test_the_record_repeats_the_numbers_of_the_weeks_page(yard: Yard, record: WeekRecord) -> None:
    listed = record.sheet.section("excursions")
    window = Window(small_shop.BEGIN_S, small_shop.END_S, WIDTH_S)
    days = list(pairwise(small_shop.BEGIN_S + n * 86_400.0 for n in range(8)))
    for zone in yard.settings.zones[:4]:
        series = read_zone(yard.series, yard.settings, zone, window, yard.fed_s, yard.series.keys())
        by_day = sums(series, WIDTH_S, days, limit_of(zone, yard.settings))
        hours = {"humid": 0.0, "sweating": 0.0, "not known": 0.0}
        for place, what, _, _, h, *_ in listed.rows:
            if place == zone.name:
                hours[what] += float(h)
        assert hours["humid"] == pytest.approx(sum(day.over_limit_h for day in by_day), abs=0.01)
        assert hours["sweating"] == pytest.approx(sum(day.below_dew_point_h for day in by_day), abs=0.01)
        assert hours["not known"] == pytest.approx(sum(day.no_reading_h for day in by_day), abs=0.02)


def test_a_shift_says_what_nobody_knew_beside_what_was_measured(record: WeekRecord) -> None:
    lines = record.sheet.section("shifts")
    assert column(lines, "from") == [
        f"{day} Sep 06:30" for day in ("Mon 14", "Tue 15", "Wed 16", "Thu 17", "Fri 18")
    ]
    unknown = [float(hours) for hours in column(lines, "not known h")]
    assert unknown[2] == pytest.approx(1.6, abs=0.4)  # the yard's sensor was silent from 10:00 to 12:00
    assert sum(unknown) == unknown[2]
    assert float(column(lines, "humid h")[3]) == 8.5  # the wet front lay over the whole of Thursday's shift


def test_a_shift_in_which_nothing_was_measured_is_not_called_dry() -> None:
    zone = Zone(id="bay", site="s", name="Bay", kind="bay")
    shift = ShiftSpan("s:day:1", "s", "day", 0.0, 8 * 3600.0)
    silent = ZoneSeries(zone, (), (), {}, ((0.0, 8 * 3600.0),))
    (line,) = shift_lines([shift], [silent], {"bay": 0.7}, ((), (), ()), 1e9)
    assert (line.sweating_h, line.humid_h, line.worst) == (None, None, None)
    assert line.unknown_h == 8.0


def test_steel_that_nobody_could_judge_is_not_known_though_its_air_was() -> None:
    zone = Zone(id="bay", site="s", name="Bay", kind="bay")
    shift = ShiftSpan("s:day:1", "s", "day", 0.0, 8 * 3600.0)
    dry = [Bucket(900.0 * n, 1, 5.0, 5.0, 5.0) for n in range(32)]
    gappy = ZoneSeries(zone, dry, (), {"plate": [*dry[:8], *dry[24:]]}, ())  # nothing from 2 h to 6 h
    (line,) = shift_lines([shift], [gappy], {"bay": 0.7}, ((), (), ()), 1e9)
    assert (line.sweating_h, line.unknown_h) == (0.0, 4.0)
    moved = ZoneSeries(Zone(id="hall", site="s", name="Hall", kind="hall"), (), (), {"plate": dry[8:24]}, ())
    (line,) = shift_lines([shift], [gappy, moved], {"bay": 0.7, "hall": 0.7}, ((), (), ()), 1e9)
    assert line.unknown_h == 0.0  # it stood in the hall meanwhile


def test_a_shift_that_is_not_over_is_counted_to_now() -> None:
    shift = ShiftSpan("s:day:1", "s", "day", 0.0, 8 * 3600.0)
    (line,) = shift_lines([shift], [], {}, ((), (), ()), 2 * 3600.0)
    assert (line.over, line.until_s) == (False, 2 * 3600.0)
    assert shift_lines([shift], [], {}, ((), (), ()), 0.0) == []  # nor has one begun that begins now


def test_a_chart_draws_the_places_whose_steel_came_closest_to_sweating() -> None:
    places = [Zone(id=f"z{n}", site="s", name=f"Place {n}", kind="bay") for n in range(9)]
    buckets = [(Bucket(0.0, 1, 9.0 - n, 9.0 - n, 9.0 - n),) for n in range(9)]
    zones = [
        ZoneSeries(zone, one, one, {"plate": one}, ()) for zone, one in zip(places, buckets, strict=True)
    ]
    assert [one.zone.id for one in drawn_zones(zones)] == ["z3", "z4", "z5", "z6", "z7", "z8"]


def test_air_outdoors_is_no_excursion_where_nothing_lies_in_it(yard: Yard, tmp_path: Path) -> None:
    mast = {"id": "mast", "site": "tarn-hollow", "name": "Mast", "kind": "outdoor"}
    declared = yard.settings.model_dump()
    with_mast = Settings.model_validate({**declared, "zones": [*declared["zones"], mast]})
    sources = replace(small_shop.sources(yard), settings=with_mast)
    sheet = week_record(sources, WEEK.site, WEEK.of).sheet
    assert "Mast" not in column(sheet.section("excursions"), "place")
    assert column(sheet.section("shifts"), "not known h")[0] == "0.00"


def move(time_s: float, before: str, after: str, trigger: str, who: str = "dryshift") -> Event:
    body = {
        "from_state": before,
        "to_state": after,
        "trigger": trigger,
        "title": "Wet: Mix 1",
        "zone": "cage",
    }
    return Event(int(time_s), EventKind.ALARM_TRANSITION, "body_wet.mix-1", time_s, body, who=who)


def test_a_warning_that_comes_back_before_it_was_answered_is_one_life_that_is_not_over() -> None:
    lives = lives_of(
        [
            move(10, "normal", "unacknowledged", "condition_active"),
            move(20, "unacknowledged", "returned_unacknowledged", "condition_clears"),
            move(30, "returned_unacknowledged", "unacknowledged", "condition_active"),
            move(40, "unacknowledged", "acknowledged", "acknowledge", "Jonna Veldt"),
        ],
        WORDS,
    )
    assert [(one.given_s, one.answered_s, one.answered_by, one.over_s) for one in lives] == [
        (10, 40, "Jonna Veldt", None)
    ]


def test_a_warning_given_again_while_it_stands_is_over_together_with_the_first() -> None:
    lives = lives_of(
        [
            move(10, "normal", "unacknowledged", "condition_active"),
            move(20, "unacknowledged", "acknowledged", "acknowledge", "Jonna Veldt"),
            move(30, "acknowledged", "unacknowledged", "rising"),
            move(50, "unacknowledged", "returned_unacknowledged", "condition_clears"),
        ],
        WORDS,
    )
    assert [(one.given_s, one.answered_s, one.over_s) for one in lives] == [(10, 20, 50), (30, None, 50)]


def test_the_same_record_made_twice_is_the_same_file_with_and_without_the_service(yard: Yard) -> None:
    here = on_paper(small_shop.sources(yard), WEEK, PaperSize.A4)
    apart = sources_of(yard.settings, (yard.series, yard.ledger), yard.fed_s, small_shop.shifts)
    assert on_paper(apart, WEEK, PaperSize.A4) == here


def test_without_the_typesetter_the_error_says_how_to_get_it(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paper_module, "TYPESETTER", "no_typesetter_of_this_name")
    with pytest.raises(PaperUnavailableError, match=r"sh deploy/install\.sh paper"):
        on_paper(small_shop.sources(yard), WEEK, PaperSize.A4)


def mailing(yard: Yard, channel: Channel, **more: object) -> Settings:
    channels, record = (channel,), {"mail_to": [channel.id], **more}
    return Settings.model_validate({**yard.settings.model_dump(), "channels": channels, "record": record})


def at(hour: float) -> float:
    """An hour of the Monday after the week."""
    return small_shop.END_S + 3600.0 * hour


def test_last_weeks_record_is_mailed_once_when_its_hour_has_come(yard: Yard, tmp_path: Path) -> None:
    with mail_receiver() as (box, url):
        channel = Channel(
            id="office",
            kind="email",
            url=url,
            sender="d@tarn.example",
            to=("qa@tarn.example",),
            starttls=False,
        )
        service = yard.settings.service.model_copy(update={"data_dir": tmp_path})
        settings = mailing(yard, channel).model_copy(update={"service": service})
        hour = [6.9]  # of Monday
        post = RecordPost(settings, yard.ledger, lambda: small_shop.sources(yard), lambda: at(hour[0]))
        post.look()
        assert not (tmp_path / "records").exists()
        for hour[0] in (7.1, 7.2):
            post.look()
        again = RecordPost(settings, yard.ledger, lambda: small_shop.sources(yard), lambda: at(8.0))
        again.look()  # after a new start
        courier = Courier(yard.ledger, "office", EmailSender(channel), None)
        courier.run(at(8.0))
        mails = [email.message_from_bytes(one.content, policy=email.policy.default) for one in box.mails]
    (mail,) = [one for one in mails if "week 38" in str(one["Subject"])]
    (file,) = mail.iter_attachments()
    assert file.get_filename() == "tarn-hollow-2026-W38.pdf"
    assert "record of week 38" in flat(read_back(file.get_content()))


def test_a_record_whose_file_is_gone_is_mailed_with_words_instead(yard: Yard, tmp_path: Path) -> None:
    with mail_receiver() as (box, url):
        channel = Channel(
            id="gone", kind="email", url=url, sender="d@tarn.example", to=("qa@tarn.example",), starttls=False
        )
        service = yard.settings.service.model_copy(update={"data_dir": tmp_path})
        settings = mailing(yard, channel).model_copy(update={"service": service})
        RecordPost(settings, yard.ledger, lambda: small_shop.sources(yard), lambda: at(8.0)).look()
        for file in (tmp_path / "records").iterdir():
            file.unlink()
        Courier(yard.ledger, "gone", EmailSender(channel), None).run(at(8.0))
        (mail,) = [email.message_from_bytes(one.content, policy=email.policy.default) for one in box.mails]
    assert "cannot be attached" in mail.get_content()
