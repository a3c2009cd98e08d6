"""A humid week at Ferrymoor (16 sensors, 40 packages, 12 cylinders): few warnings, none missing.

The truth is a written table and the simulated weather itself, in which steel follows the air by plain
first-order lag: an hour for a cylinder, two for thick plate (the lags are trade figures).
"""

import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.alarms.messages import LONGEST
from monitor.demo.yard import lagging_skin_c
from monitor.model.notification import Notification
from monitor.physics.saturation import dew_point_c
from tests.engine.ferrymoor import HOUR_S, START_S, Week, local, moment, run_week

ROWS = tomllib.loads(Path(__file__).with_name("ferrymoor_truth.toml").read_text(encoding="utf-8"))["rows"]
RANK = {"low": 0, "medium": 1, "high": 2}
SHIFT_S = 8 * HOUR_S
FIRST_SHIFT_S = 6 * HOUR_S  # shifts (and the nights between them) change at 06:00, 14:00 and 22:00
LAG_H = {"gas-cage": 1.0, "slip-bay": 1.6, "panel-hall": 2.0, "plate-yard": 4.0}


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Week:
    return run_week(tmp_path_factory.mktemp("ferrymoor"))


def conditions(note: Notification) -> list[str]:
    named = note.data.get("conditions")
    return [str(name) for name in named] if isinstance(named, list) else []


def is_about(note: Notification, row: dict[str, Any]) -> bool:
    """Whether a message is about what a row says."""
    zones = note.data.get("zones")
    if "zone" in row and not (isinstance(zones, list) and row["zone"] in zones):
        return False
    wanted = [
        name for name in conditions(note) if name.partition(".")[0] == row.get("kind", name.partition(".")[0])
    ]
    return bool(wanted) and any(
        name.partition(".")[2] == row.get("subject", name.partition(".")[2]) for name in wanted
    )


@pytest.mark.parametrize("row", ROWS, ids=[row["situation"] for row in ROWS])
def test_what_the_truth_demands_is_told_in_time_and_nothing_else_rings(
    week: Week, row: dict[str, Any]
) -> None:
    start_s, end_s = moment(row["from"]), moment(row["to"])
    if end_s <= start_s:
        end_s += 7 * 24 * HOUR_S
    rung = [n for n in week.warnings() if start_s <= n.created_s < end_s]
    found = [note for note in rung if is_about(note, row)]
    if row.get("page"):
        name = f"{row['kind']}.{row['subject']}"
        raised = [e for e in week.moves if e.subject == name and e.body["to_state"] == "unacknowledged"]
        assert any(start_s <= event.time_s < end_s for event in raised)
    if row.get("never") or row.get("page"):
        assert found == []
        return
    assert [note.text for note in found], [note.text for note in rung]
    assert max(RANK[note.priority] for note in found) >= RANK[row["priority"]]


def test_no_wet_hour_of_work_goes_untold(week: Week) -> None:
    """Every stretch of half an hour and more in which steel is wet while people work, in every zone."""
    hours, checked = week.world.hours, 0
    for zone, lag_h in LAG_H.items():
        air = week.world.air[zone]
        margin = lagging_skin_c(air, lag_h) - dew_point_c(np.maximum(air.vapour_pressure_pa, 1.0))
        at_work = np.array([_at_work(START_S + hour * HOUR_S) for hour in hours])
        wet = (margin < -0.5) & at_work & (hours >= 0.0) & (hours < 168.0)
        for begins, ends in stretches(wet, hours):
            if ends - begins < 0.5:
                continue
            checked += 1
            told = [
                note
                for note in week.warnings()
                if note.priority == "high"
                and zone in list(note.data["zones"])  # type: ignore[call-overload]
                and START_S + (begins - 6.0) * HOUR_S <= note.created_s <= START_S + (begins + 2.25) * HOUR_S
            ]
            assert told, (zone, local(START_S + begins * HOUR_S))
    assert checked >= 4


def _at_work(time_s: float) -> bool:
    now = local(time_s)
    return (now.weekday() < 5 and 6 <= now.hour < 22) or (now.weekday() == 5 and 6 <= now.hour < 14)


def stretches(mask: np.ndarray, hours: np.ndarray) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(float(hours[a]), float(hours[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def test_nobody_gets_more_than_four_warnings_a_shift(week: Week) -> None:
    """On the worst day each place that turns wet is told of; three did while a second place was silent."""
    by_shift = Counter(
        (str(n.data["person"]), int((n.created_s - START_S - FIRST_SHIFT_S) // SHIFT_S))
        for n in week.warnings()
    )
    assert max(by_shift.values()) <= 4, by_shift
    assert len(week.warnings()) >= 10


def test_the_alarms_behind_them_are_many(week: Week) -> None:
    raised = [event for event in week.moves if event.body["to_state"] == "unacknowledged"]
    assert len(raised) > 8 * len(week.warnings())


def test_every_message_of_the_week_stands_on_a_lock_screen(week: Week) -> None:
    for note in week.notes:
        assert 0 < len(note.text) <= LONGEST, note.text
        assert len(note.title) <= 40, note.title
        assert "{" not in note.text + note.title
        assert ".." not in note.text
        if note.data.get("telling") in {"first", "again", "escalated", "after_quiet"}:
            assert note.action


def test_every_all_clear_follows_a_warning_to_the_same_person_and_comes_once(week: Week) -> None:
    cleared = [note for note in week.notes if note.data.get("telling") == "cleared"]
    assert cleared
    assert len({(note.subject, note.data["person"]) for note in cleared}) == len(cleared)
    for note in cleared:
        before = [
            w
            for w in week.warnings()
            if w.subject == note.subject
            and w.data["person"] == note.data["person"]
            and w.created_s < note.created_s
        ]
        assert before, note.text


def test_the_daily_word_comes_every_day_to_both_leads(week: Week) -> None:
    daily = [note for note in week.notes if note.data.get("why") == "digest"]
    assert Counter(note.data["person"] for note in daily) == {"Early lead": 7, "Late lead": 7}
    early = [note for note in daily if note.data["person"] == "Early lead"]
    assert {f"{local(note.created_s):%H:%M}" for note in early} == {"06:00"}
