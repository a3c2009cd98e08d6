"""Polite fetching against RFC 9110 (conditional requests, Retry-After) and RFC 9111 (Expires)."""

from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path

from monitor.weather.fetch import Fetcher, FetchState
from tests.weather.station import Answer, running

NOW_S = 1_788_890_400.0
URL = "/doc"


def test_a_second_question_comes_late_and_only_asks_whether_it_changed(tmp_path: Path) -> None:
    def answer(_: str, headers: dict[str, str]) -> Answer:
        if headers.get("If-None-Match") == '"one"':
            return Answer(304)
        return Answer(200, {"ETag": '"one"', "Last-Modified": "Tue, 08 Sep 2026 17:38:12 GMT"}, b"body")

    with running(answer) as station:
        fetcher = Fetcher(tmp_path, "dryshift (lead@example.org)")
        url = station.base_url + URL
        first = fetcher.get(url, NOW_S, 600.0)
        early = fetcher.get(url, NOW_S + 599.0, 600.0)
        later = fetcher.get(url, NOW_S + 601.0, 600.0)
        assert [f.body for f in (first, early, later)] == [b"body"] * 3
        assert [f.fetched_s for f in (first, early, later)] == [NOW_S, NOW_S, NOW_S + 601.0]
        assert len(station.asked) == 2
        headers = station.asked[1][1]
        assert headers["If-Modified-Since"] == "Tue, 08 Sep 2026 17:38:12 GMT"
        assert headers["User-Agent"] == "dryshift (lead@example.org)"


def test_nothing_is_asked_before_the_answer_expires(tmp_path: Path) -> None:
    expires = format_datetime(datetime.fromtimestamp(NOW_S + 1800.0, UTC), usegmt=True)
    with running(lambda *_: Answer(200, {"Expires": expires}, b"x")) as station:
        fetcher = Fetcher(tmp_path, "dryshift")
        for after in (0.0, 900.0, 1799.0, 1801.0):
            fetcher.get(station.base_url + URL, NOW_S + after, 60.0)
        assert len(station.asked) == 2


def test_a_restart_remembers_what_was_fetched(tmp_path: Path) -> None:
    with running(lambda *_: Answer(200, {}, b"x")) as station:
        url = station.base_url + URL
        Fetcher(tmp_path, "dryshift").get(url, NOW_S, 600.0)
        again = Fetcher(tmp_path, "dryshift").get(url, NOW_S + 10.0, 600.0)
        assert (again.state, again.body, len(station.asked)) == (FetchState.FRESH, b"x", 1)


def test_failures_are_asked_after_ever_more_seldom_and_the_last_answer_is_kept(tmp_path: Path) -> None:
    answers = [Answer(200, {}, b"good")]
    with running(lambda *_: answers.pop(0) if answers else Answer(503)) as station:
        fetcher = Fetcher(tmp_path, "dryshift")
        url = station.base_url + URL
        fetcher.get(url, NOW_S, 60.0)
        asked_at = []
        for minute in range(1, 240):
            before = len(station.asked)
            found = fetcher.get(url, NOW_S + 60.0 * minute + 1.0, 60.0)
            if len(station.asked) > before:
                asked_at.append(minute)
        assert (found.state, found.body, found.fetched_s) == (FetchState.KEPT, b"good", NOW_S)
        assert found.reason == "answered 503"
        assert asked_at == [1, 2, 4, 8, 16, 32, 64, 128]


def test_retry_after_is_honoured_also_as_a_date(tmp_path: Path) -> None:
    when = format_datetime(datetime.fromtimestamp(NOW_S + 3000.0, UTC), usegmt=True)
    for n, header in enumerate(("3000", when)):
        with running(lambda *_, h=header: Answer(429, {"Retry-After": h})) as station:
            fetcher = Fetcher(tmp_path / str(n), "dryshift")
            for after in (0.0, 1000.0, 2990.0, 3010.0):
                found = fetcher.get(station.base_url + URL, NOW_S + after, 60.0)
            assert len(station.asked) == 2
            assert (found.state, found.reason) == (FetchState.MISSING, "answered 429")


def test_a_host_that_is_away_is_a_state_and_not_an_error(tmp_path: Path) -> None:
    with running(lambda *_: Answer()) as station:
        url = station.base_url + URL
    found = Fetcher(tmp_path, "dryshift").get(url, NOW_S, 60.0)
    assert found.state is FetchState.MISSING
    assert "ConnectionError" in found.reason


def test_an_answer_without_end_is_cut_off(tmp_path: Path) -> None:
    with running(lambda *_: Answer(200, {}, b"x" * (9 * 1024 * 1024))) as station:
        found = Fetcher(tmp_path, "dryshift").get(station.base_url + URL, NOW_S, 60.0)
        assert found.state is FetchState.MISSING
        assert "more than" in found.reason


def test_a_cache_that_was_damaged_is_fetched_anew(tmp_path: Path) -> None:
    with running(lambda *_: Answer(200, {}, b"x")) as station:
        fetcher = Fetcher(tmp_path, "dryshift")
        fetcher.get(station.base_url + URL, NOW_S, 600.0)
        for file in tmp_path.glob("*.json"):
            file.write_text("{broken")
        assert fetcher.get(station.base_url + URL, NOW_S + 1.0, 600.0).body == b"x"
        assert len(station.asked) == 2
