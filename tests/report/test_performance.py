"""What reached whom, by person and shift, out of the ledger: warnings only, each once."""

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.performance import figures_from
from monitor.model.event import EventKind, NewEvent
from monitor.model.shift_span import ShiftSpan
from monitor.model.staff import Person
from monitor.report.performance_sheet import alarm_performance, performance_section
from monitor.report.sheet import Writing
from monitor.settings.reference import load_toml
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger

FIGURES = figures_from(load_toml("alarm_performance.toml"))
PEOPLE = (Person(id="ann", name="Ann", channels=("phone",)), Person(id="ben", name="Ben", channels=("mail",)))
DAY_S, HOUR_S, T0 = 86_400.0, 3600.0, 1_788_912_000.0
SHIFTS = tuple(
    ShiftSpan(f"s{n}", "yard", f"shift {n}", T0 + n * 8 * HOUR_S, T0 + (n + 1) * 8 * HOUR_S) for n in range(3)
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    opened = open_ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    yield opened
    opened.close()


def told(ledger: SqlLedger, hour: float, key: str, channel: str = "phone", **more: object) -> None:
    body: dict[str, object] = {
        "channel": channel,
        "key": key,
        "state": "delivered",
        "telling": "first",
        **more,
    }
    event = NewEvent(EventKind.DELIVERY, "warning:x", T0 + hour * HOUR_S, f"channel:{channel}", body)
    ledger.commit([event], entered_s=event.time_s)


def test_only_warnings_count_each_once_and_by_the_person_they_were_for(ledger: SqlLedger) -> None:
    told(ledger, 1.0, "a", person="Ann")
    told(ledger, 1.1, "a", channel="mail", person="Ben", telling="escalated")
    told(ledger, 2.0, "b", person="Ann")
    told(ledger, 9.0, "c", channel="mail")  # names nobody: it counts for whose channel it is
    told(ledger, 3.0, "clear", person="Ann", telling="cleared")
    told(ledger, 6.0, "digest/x", person="Ann", telling="digest")
    told(ledger, 7.0, "test/x", test=True)
    told(ledger, 7.5, "late", person="Ann", state="expired")
    found = alarm_performance(ledger, PEOPLE, FIGURES, SHIFTS, (T0, T0 + DAY_S))
    assert [(one.name, one.told, one.worst_shift) for one in found.people] == [("Ann", 2, 2), ("Ben", 2, 1)]
    assert [count for _, count in found.measured.per_shift] == [2, 1, 0]
    (check,) = [one for one in found.measured.checks if one.name == "per_shift"]
    assert (check.measured, check.met) == (2.0, True)


def test_the_table_of_the_weekly_record_names_measure_figure_and_source(ledger: SqlLedger) -> None:
    for n in range(4):
        told(ledger, 1.0 + n, f"k{n}", person="Ann")
    found = alarm_performance(ledger, PEOPLE, FIGURES, SHIFTS, (T0, T0 + DAY_S))
    section = performance_section(found, Writing(ZoneInfo("Europe/London")))
    assert section.rows[0] == (
        "Warnings told in the worst shift",
        "4",
        "at most 3",
        "no",
        "our judgement for a shop lead with a phone (common practice)",
    )
    assert section.rows[-1] == ("Told: Ann", "4", "", "", "4 in the worst shift, 0 answered")
