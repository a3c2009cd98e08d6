"""The page about the alarms themselves: measured from the ledger, against figures with their sources."""

import requests

from monitor.alarms.performance import figures_from
from monitor.model.event import EventKind, NewEvent
from monitor.settings.reference import load_toml
from monitor.web.pages.alarm_care_page import care
from monitor.web.server import Server
from tests.web import sample

FIGURES = figures_from(load_toml("alarm_performance.toml"))


def moves(shop: sample.Shop, condition: str, *changes: tuple[float, str, str, str]) -> None:
    """Write transitions (time, from, to, trigger) of one condition."""
    for time_s, before, after, trigger in changes:
        kind, _, subject = condition.partition(".")
        body: dict[str, object] = {
            "time_s": time_s,
            "condition_id": condition,
            "kind": kind,
            "subject": subject,
            "zone": "gas-cage",
            "priority": "high",
            "from_state": before,
            "to_state": after,
            "trigger": trigger,
            "who": "",
        }
        event = NewEvent(EventKind.ALARM_TRANSITION, condition, time_s, "dryshift", body)
        shop.ledger.commit([event], entered_s=time_s)


def told(shop: sample.Shop, channel: str, key: str, time_s: float, **more: object) -> None:
    body: dict[str, object] = {"channel": channel, "key": key, "state": "delivered", **more}
    shop.ledger.commit(
        [NewEvent(EventKind.DELIVERY, "x", time_s, f"channel:{channel}", body)], entered_s=time_s
    )


def test_the_page_measures_against_figures_that_name_their_source(server: Server) -> None:
    html = requests.get(server.url + "/alarms/performance", timeout=10).text
    assert "ISA-18.2" in html
    assert "our judgement for a shop lead with a phone" in html
    assert sample.LEAD in html
    assert "Wet: Mix 1" in html  # not body_wet.mix-1


def test_a_warning_told_on_two_channels_counts_once_a_shift_and_a_test_never(own: sample.Shop) -> None:
    shift_s = sample.NOW_S - 20 * 3_600.0  # in the day shift before
    told(own, "phone", "k1", shift_s)
    told(own, "office", "k1", shift_s + 5)
    told(own, "phone", "t1", shift_s + 9, test=True)
    found = care(own.deps, FIGURES, 7).measured
    assert sum(n for _, n in found.per_shift) == 1


def test_the_worst_offender_is_called_by_its_name(own: sample.Shop) -> None:
    at = sample.NOW_S - 3_600.0
    for n in range(3):  # three cycles within a minute chatter (ISA-18.2, as quoted by a trade self-audit)
        start = at + 20 * n
        moves(
            own,
            "body_wet.mix-1",
            (start, "normal", "unacknowledged", "condition_active"),
            (start + 10, "unacknowledged", "normal", "condition_clears"),
        )
    site = sample.start(own)
    html = requests.get(site.url + "/alarms/performance?days=1", timeout=10).text
    site.stop()
    assert "Wet: Mix 1 came 3 times within a minute" in html


def test_a_record_that_cannot_be_read_is_said(own: sample.Shop) -> None:
    event = NewEvent(EventKind.ALARM_TRANSITION, "x", sample.NOW_S - 60, "", {"to_state": "odd"})
    own.ledger.commit([event], entered_s=sample.NOW_S)
    assert care(own.deps, FIGURES, 7).unread == 1


def test_a_quiet_shop_is_said_to_be_quiet(own: sample.Shop) -> None:
    site = sample.start(own)
    html = requests.get(site.url + "/alarms/performance", timeout=10).text
    site.stop()
    assert "No alarm in these days" in html
