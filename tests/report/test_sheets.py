"""Records to take away: packages, lots, jobs and weeks, with corrections shown and the chain checked."""

import csv
import io
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.beads.acceptance import Pore
from monitor.beads.acceptance_rules import Weld
from monitor.consumables.classes import Place
from monitor.history.entries import BeadWelded, GotWet, Moved, Opened, StoreChecked, TestBead, Withdrawn
from monitor.model.errors import InputError
from monitor.report.csv_text import ABOUT, csv_archive, csv_text
from monitor.report.group_sheet import job_sheet, lot_sheet
from monitor.report.package_sheet import package_sheet
from monitor.report.sheet import Sheet, SheetSection
from monitor.report.sources import Sources
from monitor.report.week_sheet import open_in_week, week_edges, week_sheet
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings

RODS = Opened("Rods 3", "e7018", "panel-hall", Place.OPEN_AIR, lot="L-77", job="Rudder")
SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay", spool="s300", lot="L-77", job="Keel")
PORES = tuple(Pore(0.003, 0.100 + 0.006 * n) for n in range(4))
RULE = {
    "consumable": "fcaw-folded-h8",
    "limit_h": 96,
    "reason": "hydrogen tests of this lot stayed under 16 mL/100 g after 96 h",
    "document": "WPS-F-12 rev 3",
}


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """Rods and a spool opened, a slip put right, an hour without readings, a bad bead."""
    folder = tmp_path_factory.mktemp("yard")
    yard = Yard(folder, yard_settings(folder, shop_rules=[RULE]))
    yard.air["slip-bay"] = lambda t: (
        None if HOUR < t - START_S < 2 * HOUR else (18.0, 0.80 + 0.1 * (t > START_S + HOUR))
    )
    yard.run_to(START_S + 600)
    rods = yard.enter("rods-3", RODS)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + 2.5 * HOUR)
    yard.correct(rods, time_s=START_S + 300)
    slip = yard.enter("rods-3", GotWet())
    yard.correct(slip, void=True)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.enter("rod-oven", StoreChecked(131.0))
    yard.run_to(START_S + 3 * HOUR)
    yard.enter("bead-1", BeadWelded("d11-static", Weld.FILLET, 0.3, 0.01, PORES, package="spool-9"))
    yard.enter("spool-9", TestBead(sound=True))
    yard.run_to(START_S + 3.5 * HOUR)
    yield yard
    yard.close()


def sources(yard: Yard) -> Sources:
    return Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), yard.fed_s)


def about(sheet: Sheet) -> dict[str, str]:
    return {row[0]: row[1] for row in sheet.section("about").rows}


def column(section: SheetSection, name: str) -> list[str]:
    return [row[section.columns.index(name)] for row in section.rows]


def test_a_packages_sheet_says_what_it_is_and_how_it_stands(yard: Yard) -> None:
    found = about(package_sheet(sources(yard), "rods-3"))
    assert found["name"] == "Rods 3"
    assert (found["lot"], found["job"]) == ("L-77", "Rudder")
    assert found["opened"] == "2026-09-09 01:05:00+01:00"  # as put right, on the wall clock with its offset
    assert found["now"] == "holding oven, Rod Oven"
    assert found["stands"] == "use first"
    assert found["limit h"] == "4.00"
    assert "AWS D1.1/D1.1M Table 5.1 column A" in found["permitted hours by"]
    assert "published" in found["permitted hours by"]


def test_what_was_put_right_stays_to_be_seen(yard: Yard) -> None:
    section = package_sheet(sources(yard), "rods-3").section("entries")
    states = dict(zip(column(section, "what"), column(section, "state"), strict=True))
    opened = "opened, e7018, open air, Panel Hall, lot L-77, job Rudder"
    assert states[opened].startswith("put right by entry ")
    assert "to 2026-09-09 01:05:00+01:00" in states[opened]
    assert states["got wet"].startswith("taken back by entry ")
    assert states["holding oven, Rod Oven"] == "stands"
    assert all(len(text) == 12 for text in column(section, "hash"))
    assert set(column(section, "who")) == {"Morgan Reyd"}


def test_stays_carry_counted_hours_and_the_air_of_their_zone(yard: Yard) -> None:
    section = package_sheet(sources(yard), "rods-3").section("stays")
    assert column(section, "place") == ["open air", "holding oven"]
    assert column(section, "counted h") == ["2.42", "0.00"]  # 01:05 to 03:30; the oven was hot
    assert column(section, "air °C mean")[1] == "130.0"
    assert column(section, "%RH mean") == ["55", ""]
    hours = [float(text) for text in column(section, "hours")]
    assert sum(hours) == pytest.approx((yard.fed_s - START_S - 300) / HOUR, abs=0.01)


def test_stretches_nobody_measured_are_listed_and_summed(yard: Yard) -> None:
    sheet = package_sheet(sources(yard), "spool-9")
    section = sheet.section("unknown")
    assert column(section, "what is not known") == ["no reading of the air"]
    # from the last reading on it is known for stale_after_s and three derived points more
    assert float(column(section, "hours")[0]) == pytest.approx(1.0 - 660 / HOUR, abs=0.07)
    assert about(sheet)["hours in air not known"] == column(section, "hours")[0]
    assert "reference air" in section.notes[0]
    damp = sheet.section("stays")
    assert (column(damp, "%RH least"), column(damp, "%RH greatest")) == (["80"], ["90"])


def test_a_deviation_stands_on_every_sheet_with_its_reason_and_document(yard: Yard) -> None:
    sheet = package_sheet(sources(yard), "spool-9")
    deviation = about(sheet)["deviation"]
    assert "(WPS-F-12 rev 3) works to 96 h, past 72 h (AWS D1.8)" in deviation
    assert RULE["reason"] in deviation  # type: ignore[operator]
    assert deviation in column(lot_sheet(sources(yard), "L-77").section("packages"), "deviation")
    assert deviation in column(
        week_sheet(sources(yard), "ferrymoor", "2026-W37").section("packages"), "deviation"
    )
    clocks = sheet.section("clocks")
    assert "set aside by the deviation" in column(clocks, "")
    assert deviation == yard.package("spool-9").deviation


def test_beads_keep_the_verdict_of_their_day(yard: Yard) -> None:
    section = package_sheet(sources(yard), "spool-9").section("beads")
    assert column(section, "verdict") == ["rejectable", "sound"]
    assert column(section, "edition")[0] == "2015"
    assert "Diameters sum to 12 mm in 25 mm, limit 10 mm" in column(section, "count against limit")[0]
    assert column(section, "open h") == ["2.83", "2.83"]
    assert "inspector decides" in section.notes[0]


def test_a_lot_and_a_job_gather_their_packages(yard: Yard) -> None:
    lot = lot_sheet(sources(yard), "L-77")
    assert column(lot.section("packages"), "label") == ["rods-3", "spool-9"]
    assert {"rods-3", "spool-9"} == set(column(lot.section("entries"), "thing"))
    job = job_sheet(sources(yard), "Keel")
    assert column(job.section("packages"), "label") == ["spool-9"]
    assert job.title == "Job Keel"
    with pytest.raises(InputError, match="lot: found L-99; use one of: L-77"):
        lot_sheet(sources(yard), "L-99")
    with pytest.raises(InputError, match="job: found nothing; use one of: Keel, Rudder"):
        job_sheet(sources(yard), "")
    with pytest.raises(InputError, match="was never opened here"):
        package_sheet(sources(yard), "rods-99")


def test_a_weeks_sheet_has_air_by_day_packages_entries_and_beads(yard: Yard) -> None:
    sheet = week_sheet(sources(yard), "ferrymoor", "2026-W37")
    air = sheet.section("air")
    bay = [row for row in air.rows if row[0] == "Slip Bay"]
    assert [row[1] for row in bay] == [
        "2026-09-07 00:00:00+01:00",
        "2026-09-08 00:00:00+01:00",
        "2026-09-09 00:00:00+01:00",
    ]
    assert bay[0][3:6] == ("", "", "")
    assert float(bay[0][-1]) == 24.0
    assert bay[2][air.columns.index("air °C mean")] == "18.0"
    packages = sheet.section("packages")
    assert column(packages, "label") == ["rods-3", "spool-9"]
    assert column(packages, "counted h in the week") == ["2.42", "3.33"]
    whats = column(sheet.section("entries"), "what")
    assert "read on its display, read 131.0 °C" in whats
    assert column(sheet.section("beads"), "verdict") == ["rejectable", "sound"]
    with pytest.raises(InputError, match="has not begun"):
        week_sheet(sources(yard), "ferrymoor", "2026-W38")
    with pytest.raises(InputError, match="write an ISO week"):
        week_sheet(sources(yard), "ferrymoor", "37")
    with pytest.raises(InputError, match="site: found harbour; use one of: ferrymoor"):
        week_sheet(sources(yard), "harbour", "2026-W37")


def test_a_package_withdrawn_before_a_week_is_not_open_in_it_and_its_clock_is_not_asked_for(
    tmp_path: Path,
) -> None:
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yard.air["slip-bay"] = lambda t: (18.0, 0.8)
    yard.run_to(START_S + 600)
    for spool in ("spool-1", "spool-2"):
        yard.enter(spool, SPOOL)
    yard.run_to(START_S + 2 * HOUR)
    yard.enter("spool-1", Withdrawn())
    yard.run_to(START_S + 3 * HOUR)
    zone = yard.settings.sites[0].tz
    week = week_edges("2026-W38", zone)
    site = yard.settings.sites[0]
    found = sources(yard)
    assert [one.history.id for one in open_in_week(found, site, *week_edges("2026-W37", zone)[::7])[0]] == [
        "spool-1",
        "spool-2",
    ]
    asked: list[str] = []
    clock_at = found.keeper.clock_at
    found.keeper.clock_at = lambda package, at_s: asked.append(package) or clock_at(package, at_s)  # type: ignore[method-assign,func-returns-value]
    later, _ = open_in_week(found, site, week[0], week[0] + HOUR)
    assert [one.history.id for one in later] == ["spool-2"]
    assert set(asked) == {"spool-2"}
    yard.close()


def test_weeks_at_the_change_of_the_clocks_have_167_and_169_hours(yard: Yard) -> None:
    """Europe/London 2026: forward on Sunday 29 March, back on Sunday 25 October (IANA time zone data)."""
    zone = yard.settings.sites[0].tz
    for week, hours in (("2026-W13", 167), ("2026-W43", 169), ("2026-W37", 168)):
        edges = week_edges(week, zone)
        assert (edges[-1] - edges[0]) / HOUR == hours
        assert len(edges) == 8


def rows_of(text: bytes, delimiter: str = ",") -> list[list[str]]:
    return list(csv.reader(io.StringIO(text.decode("utf-8")), delimiter=delimiter))


def test_a_sheets_files_hold_one_table_each_and_all_of_it(yard: Yard) -> None:
    sheet = package_sheet(sources(yard), "rods-3")
    with zipfile.ZipFile(io.BytesIO(csv_archive(sheet))) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    about = files.pop(ABOUT).decode()
    assert set(files) == {f"{section.id}.csv" for section in sheet.sections}
    for section in sheet.sections:
        rows = rows_of(files[f"{section.id}.csv"])
        assert rows[0] == list(section.columns)
        assert len(rows) == 1 + len(section.rows)
        assert {len(row) for row in rows} == {len(section.columns)}
        assert section.title in about
        assert all(note in about for note in section.notes)
    assert "times in: Europe/London" in about
    assert sheet.record_text in about
    assert sheet.caution in about


def test_a_spreadsheet_runs_nothing_of_a_file() -> None:
    evil = csv_text(("a", "b"), [("=1+1", "-3.2"), ("+49 30", "@here")])
    assert rows_of(evil) == [["a", "b"], ["'=1+1", "-3.2"], ["'+49 30", "'@here"]]


def test_a_file_has_decimal_commas_and_the_mark_where_that_is_asked_for() -> None:
    # RFC 4180 knows commas between cells alone; the mark is UTF-8's of RFC 3629, section 6.
    table = ("lot", "margin K", "n"), [("3.10", "-1.25", "7"), ("A.4", "", "12")]
    assert csv_text(*table) == b"lot,margin K,n\r\n3.10,-1.25,7\r\nA.4,,12\r\n"
    # a lot that looks like a number stays what it is
    assert csv_text(*table, comma=True) == b"lot;margin K;n\r\n3.10;-1,25;7\r\nA.4;;12\r\n"
    assert csv_text(*table, mark=True) == b"\xef\xbb\xbf" + csv_text(*table)


def test_the_sheet_says_that_the_chain_holds_and_with_which_hash(yard: Yard) -> None:
    sheet = package_sheet(sources(yard), "rods-3")
    head = yard.ledger.head()
    assert sheet.record_holds
    said = f"the chain of {head.number} events holds; the newest is {head.number}. Record proof "
    assert sheet.record_text.startswith(f"{said}{head.number}:{head.hash[:16]}: ")
    assert ("its SHA-256", head.hash) in sheet.section("proof").rows


@pytest.mark.parametrize(
    ("tamper", "words"),
    [
        ("UPDATE event SET who = 'Nobody' WHERE number = 4", "event 4 was changed after it was written"),
        ("DELETE FROM event WHERE number = 5", "event 5 is missing"),
        (
            "UPDATE event SET time_s = time_s + 60 WHERE number = 4",
            "event 4 was changed after it was written",
        ),
        (
            "DELETE FROM event WHERE number = (SELECT max(number) FROM event)",
            "is missing at the end",
        ),
    ],
)
def test_tampering_is_named_on_the_sheet_with_the_first_broken_link(
    tmp_path: Path, tamper: str, words: str
) -> None:
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    for n in range(5):
        yard.enter("rods-3", Moved(Place.OPEN_AIR if n % 2 else Place.ON_MACHINE, "panel-hall"))
    yard.run_to(START_S + 1200)
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite")) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")  # somebody who knows the file gets past these
        db.execute(tamper)
    sheet = package_sheet(sources(yard), "rods-3")
    yard.close()
    assert not sheet.record_holds
    assert "THE CHAIN IS BROKEN" in sheet.record_text
    assert words in sheet.record_text
    with zipfile.ZipFile(io.BytesIO(csv_archive(sheet))) as archive:
        assert words in archive.read(ABOUT).decode()


def test_degrees_are_the_shops_own(tmp_path: Path) -> None:
    yard = Yard(tmp_path, yard_settings(tmp_path, web={"temperature_unit": "F"}))
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 1200)
    section = package_sheet(sources(yard), "rods-3").section("stays")
    yard.close()
    assert column(section, "air °F mean") == ["68.0"]
