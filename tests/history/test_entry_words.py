"""A ledger entry is worded once: the sheet, the page and the CSV say the same of every kind of entry."""

import csv
import io
import re
from html import unescape
from pathlib import Path

import pytest
import requests

from monitor.beads.acceptance_rules import Weld
from monitor.consumables.classes import Place
from monitor.history import entries as made
from monitor.history.entries import ENTRIES, Entry, body_of
from monitor.history.entry_words import EntryWords
from monitor.model.event import Event, EventKind, NewEvent
from monitor.report.entry_lines import entries_section
from monitor.report.sheet import Writing
from tests.web import sample

AT_S = sample.NOW_S - 7_200.0
EVERY: tuple[Entry, ...] = (
    made.Opened("Rods", "e7018", "slip-bay", Place.OPEN_AIR, lot="L-7", job="Rudder"),
    made.Moved(Place.HOLDING_OVEN, "rod-oven", 125.0),
    made.Moved(Place.BAGGED, "slip-bay", None, 0.12, fresh_desiccant=True),
    made.RanOff(0.0024, 15.0, 0.4),
    made.TestBead(sound=False, bead="bead-4"),
    made.GotWet(),
    made.Withdrawn(),
    made.CylinderDelivered("Mix", "argon-co2", "gas-cage"),
    made.CylinderMoved("slip-bay"),
    made.CylinderConnected("M 2"),
    made.CylinderSpare(),
    made.CylinderQuarantined(),
    made.GaugeRead(1.5e7),
    made.CylinderChanged(),
    made.PlateBroughtIn("Skin", "slip-bay", 0.012),
    made.PlateGone(),
    made.StoreChecked(130.0, 0.05),
    made.DesiccantRenewed(),
    made.BeadWelded("d11", Weld.FILLET, 0.3, 0.012, package="spool-12", outcome="sound", clause="1"),
)
BESIDE: tuple[tuple[EventKind, dict[str, object]], ...] = (
    (EventKind.CORRECTION, {"of": 1, "void": True}),
    (EventKind.CORRECTION, {"of": 1, "void": False}),
    (EventKind.CORRECTION, {"of": 1, "body": body_of(made.Moved(Place.BAGGED, "slip-bay"))}),
    (EventKind.CORRECTION, {"of": 1, "time_s": 5.0}),
    (EventKind.RECOUNT, {"words": "counted again: 3.0 h, not 2.0 h"}),
    (EventKind.SENSOR_CHECK, {"words": "2 %RH too dry"}),
    (EventKind.PACKAGE, {"entry": "dance"}),
)


def test_page_sheet_and_csv_say_the_same_of_every_kind_of_entry(tmp_path: Path) -> None:
    assert {type(entry) for entry in EVERY} == set(ENTRIES)
    shop = sample.open_shop(tmp_path, filled=False)
    told = [(entry.kind, body_of(entry)) for entry in EVERY] + list(BESIDE)
    written = shop.ledger.commit(
        [
            NewEvent(kind, "spool-12", AT_S + n, sample.LEAD, body, key=f"n{n}")
            for n, (kind, body) in enumerate(told)
        ],
        entered_s=sample.NOW_S,
    )
    words = shop.deps.entry_words()
    section = entries_section(written, Writing(shop.deps.settings.sites[0].tz), words)
    on_sheet = [row[section.columns.index("what")] for row in section.rows]
    site = sample.start(shop)
    page = requests.get(f"{site.url}/thing/spool-12", timeout=20).text
    table = requests.get(f"{site.url}/thing/spool-12/history.csv", timeout=20).text
    site.stop()
    titles = [unescape(one) for one in re.findall(r'<p class="row-title">(.*?)(?: \(withdrawn\))?</p>', page)]
    on_page = [title[:1].lower() + title[1:] for title in titles[::-1]]
    declared, *in_csv = [row["what"] for row in csv.DictReader(io.StringIO(table))]
    assert declared == "opened, fcaw-folded-h8, open air, Slip Bay"  # as the settings opened it
    assert on_sheet == in_csv == [words.what(event) for event in written]
    assert [one for one in on_page if one in on_sheet] == on_sheet


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (EVERY[0], "opened, e7018, open air, Slip Bay, lot L-7, job Rudder"),
        (EVERY[1], "holding oven, Rod Oven, read 257.0 °F"),
        (EVERY[2], "bagged, new desiccant, Slip Bay, read 12 %RH"),
        (EVERY[3], "ran off 2.4 mm of winding, 15 min, 0.4 kg"),
        (EVERY[12], "gauge read 150 bar"),
    ],
)
def test_an_entry_is_worded_in_the_shops_names_and_units(entry: Entry, said: str) -> None:
    words = EntryWords({"slip-bay": "Slip Bay", "rod-oven": "Rod Oven"}, fahrenheit=True)
    assert words.what(Event(1, entry.kind, "rods", AT_S, body_of(entry))) == said
