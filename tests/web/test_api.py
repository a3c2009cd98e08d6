"""The JSON interface: described, typed errors, numbers with their units, metrics that parse."""

import io
import itertools
import json
import shutil
import subprocess
from dataclasses import replace
from functools import cache
from typing import Any

import pyarrow.parquet
import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.parser import text_fd_to_metric_families
from schemathesis import GenerationMode

from monitor.model.actor import Actor, KnownBy
from monitor.model.level import Level
from monitor.model.picture import Part, not_judged
from monitor.model.quantity_units import unit_of
from monitor.model.reading import Quantity
from monitor.web.app import create_app
from monitor.web.pages import metrics
from monitor.web.pages.api import PARQUET
from monitor.web.server import Server
from tests.web import sample
from tests.web.sample_shop import BOARD_TOKEN

TOKEN = {"Authorization": f"Bearer {BOARD_TOKEN}"}
WEEK = f"start_s={sample.START_S}&end_s={sample.NOW_S}"


def test_the_present_is_the_snapshot(server: Server) -> None:
    now = requests.get(server.url + "/api/now", timeout=10).json()
    assert now["simulated"] is True
    assert now["bodies"][0]["level"] == "danger"
    assert now["zones"][4]["air"] is None


def test_series_come_in_buckets_and_leave_gaps_out(server: Server) -> None:
    query = f"{WEEK}&zone=plate-yard&quantity=dew_point_c&width_s=3600"
    (series,) = requests.get(f"{server.url}/api/series?{query}", timeout=10).json()
    starts = [bucket["start_s"] for bucket in series["buckets"]]
    assert all(start % 3_600 == 0 for start in starts)
    assert max(b - a for a, b in itertools.pairwise(starts)) >= 10 * 3_600
    assert all(b["minimum"] <= b["mean"] <= b["maximum"] for b in series["buckets"])


def test_raw_points_say_which_are_doubtful(server: Server) -> None:
    query = f"{WEEK}&zone=slip-bay&source=slip-3&quantity=relative_humidity_frac&raw=true"
    (series,) = requests.get(f"{server.url}/api/series?{query}", timeout=10).json()
    doubtful = [point for point in series["points"] if point["doubtful"]]
    assert 100 < len(doubtful) < len(series["points"])


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/api/series?start_s=5&end_s=1", 422, "later than start_s"),
        ("/api/series?start_s=x&end_s=1", 422, "valid number"),
        ("/api/series?start_s=0&end_s=9000000000", 422, "days at once"),
        (f"/api/series?{WEEK}&quantity=mood", 422, "dew_point_c"),
        (f"/api/series?{WEEK}&zone=attic", 404, "No series fits"),
        ("/api/events?most=0", 422, "greater than or equal to 1"),
        ("/api/nothing", 404, "no such page"),
    ],
)
def test_errors_are_problem_details(server: Server, path: str, status: int, words: str) -> None:
    # RFC 9457: media type application/problem+json with type, title, status
    response = requests.get(server.url + path, timeout=10)
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    body = response.json()
    assert body["status"] == status
    assert body["type"] == "about:blank"
    assert words in response.text


def test_a_program_can_answer_an_alarm(shop: sample.Shop, server: Server) -> None:
    lead = sample.LEAD.upper()
    given = {"action": "shelve", "who": lead, "key": "board-0001", "hours": 2, "reason": "cage open"}
    done = requests.post(server.url + "/api/alarms/body_wet.mix-1", json=given, headers=TOKEN, timeout=10)
    assert done.json()["done"] is True
    assert shop.asked[0].until_s == sample.NOW_S + 7_200
    assert shop.actors == [Actor(sample.LEAD, KnownBy.PROGRAM, ("lead", "lead"), "board")]
    bad = requests.post(
        server.url + "/api/alarms/body_wet.mix-1", json={**given, "reason": ""}, headers=TOKEN, timeout=10
    )
    assert bad.status_code == 422
    assert "needs a time limit and a reason" in bad.text
    shop.refuse = "there is no such alarm"
    refused = requests.post(server.url + "/api/alarms/x", json=given, headers=TOKEN, timeout=10)
    assert refused.status_code == 409


@pytest.mark.parametrize(
    "authorization", ["", "Bearer", "Bearer ", "Bearer x", "Basic " + BOARD_TOKEN, BOARD_TOKEN, "Bearer é"]
)
def test_a_program_without_its_token_changes_nothing(
    shop: sample.Shop, server: Server, authorization: str
) -> None:
    # RFC 6750, 2.1 and 3; RFC 9110, 11.6.1
    given = {"who": sample.LEAD, "key": "board-0003"}
    headers = {"Authorization": authorization.encode()} if authorization else {}
    sent = requests.post(server.url + "/api/alarms/body_wet.mix-1", json=given, headers=headers, timeout=10)
    assert (sent.status_code, sent.headers["www-authenticate"]) == (401, "Bearer")
    assert "[[programs]]" in sent.json()["detail"]
    assert shop.asked == []


def test_a_program_speaks_for_one_of_the_shops_people(shop: sample.Shop, server: Server) -> None:
    given = {"who": "shift board", "key": "board-0004"}
    sent = requests.post(server.url + "/api/alarms/body_wet.mix-1", json=given, headers=TOKEN, timeout=10)
    assert (sent.status_code, shop.asked) == (422, [])
    assert f"name one of: {sample.LEAD}" in sent.text


def test_another_site_cannot_post_json(shop: sample.Shop, server: Server) -> None:
    given = {"who": "x", "key": "board-0002"}
    headers = {"Origin": "https://elsewhere.example"}
    sent = requests.post(server.url + "/api/alarms/body_wet.mix-1", json=given, headers=headers, timeout=10)
    assert sent.status_code == 403
    as_text = requests.post(
        server.url + "/api/alarms/body_wet.mix-1", data='{"who":"x","key":"board-0002"}',
        headers={"Content-Type": "text/plain", **TOKEN}, timeout=10,
    )  # fmt: skip
    assert as_text.status_code == 422
    assert shop.asked == []


def test_a_huge_body_is_not_even_read(shop: sample.Shop, server: Server) -> None:
    address = server.url + "/api/alarms/body_wet.mix-1"
    assert requests.post(address, data=b"x" * 1_000_001, timeout=10).status_code == 413
    endless = (b"x" * 1_000 for _ in range(3))
    assert requests.post(address, data=endless, timeout=10).status_code == 411
    assert shop.asked == []


def test_events_come_with_the_hashes_that_chain_them(server: Server) -> None:
    events = requests.get(server.url + "/api/events?kind=alarm_transition", timeout=10).json()
    everything = requests.get(server.url + "/api/events", timeout=10).json()
    assert all(a["previous_hash"] == b["hash"] for a, b in itertools.pairwise(everything["events"]))
    assert everything["left_out"] == 0
    assert events["events"][-1]["body"]["to_state"] == "unacknowledged"


def test_a_page_of_events_says_how_many_were_left_out_and_where_to_go_on(server: Server) -> None:
    whole = requests.get(server.url + "/api/events", timeout=10).json()["events"]
    first = requests.get(server.url + "/api/events?most=2", timeout=10).json()
    assert (first["events"], first["left_out"]) == (whole[:2], len(whole) - 2)
    rest = requests.get(f"{server.url}/api/events?before={whole[1]['number']}", timeout=10).json()
    assert rest == {"events": whole[2:], "left_out": 0}


def test_ready_means_every_part_works_and_the_picture_is_fresh(shop: sample.Shop, server: Server) -> None:
    assert requests.get(server.url + "/healthz", timeout=10).json()["ok"] is True
    answer = requests.get(server.url + "/readyz", timeout=10)
    assert (answer.status_code, answer.json()["failing"][0][:8]) == (503, "Forecast")
    shop.picture = sample.calm()
    assert requests.get(server.url + "/readyz", timeout=10).status_code == 200
    shop.picture = not_judged(shop.picture, "not judged for 10 min")
    answer = requests.get(server.url + "/readyz", timeout=10)
    assert (answer.status_code, answer.json()["failing"]) == (503, ["picture: not judged for 10 min"])
    zones = requests.get(server.url + "/api/now", timeout=10).json()["zones"]
    assert {zone["level"] for zone in zones} == {"unknown"}


OPENMETRICS = {"accept": "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5"}


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("", "text/plain; version=0.0.4"),
        ("*/*", "text/plain; version=0.0.4"),
        ("text/html", "text/plain; version=0.0.4"),
        ("text/plain;version=0.0.4,application/openmetrics-text;q=0.5", "text/plain; version=0.0.4"),
        ("application/openmetrics-text;q=0", "text/plain; version=0.0.4"),
        ("application/openmetrics-text;q=x", "text/plain; version=0.0.4"),
        (OPENMETRICS["accept"], "application/openmetrics-text; version=1.0.0"),
        # what Prometheus 2.42 sends
        (
            "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,"
            "text/plain;version=0.0.4;q=0.5,*/*;q=0.1",
            "application/openmetrics-text; version=1.0.0",
        ),
    ],
)
def test_metrics_are_plain_text_and_openmetrics_where_that_is_asked_for(
    server: Server, accept: str, kind: str
) -> None:
    response = requests.get(server.url + "/metrics", headers={"accept": accept}, timeout=10)
    assert response.headers["content-type"].startswith(kind)
    assert response.headers["vary"].lower().startswith("accept")
    assert response.text.endswith("# EOF\n") is kind.startswith(metrics.OPEN)


def test_plain_metrics_are_taken_by_the_tool_of_prometheus_and_its_librarys_parser(server: Server) -> None:
    # Source: `promtool check metrics` of Debian's package prometheus (2.42), where it is installed.
    text = requests.get(server.url + "/metrics", timeout=10).text
    names = {family.name for family in text_fd_to_metric_families(io.StringIO(text))}
    assert {"dryshift_build_info", "dryshift_queue_length", "dryshift_disk_free_bytes"} <= names
    if (tool := shutil.which("promtool")) is None:
        pytest.skip("promtool is not installed (apt: prometheus)")
    checked = subprocess.run([tool, "check", "metrics"], input=text, capture_output=True, text=True)
    assert (checked.returncode, checked.stderr) == (0, "")


@pytest.mark.parametrize("path", ["/metrics", "/healthz", "/", "/records.csv", "/static/site.css"])
def test_a_head_request_is_answered_by_the_head_of_the_page(server: Server, path: str) -> None:
    head = requests.head(server.url + path, timeout=30)
    whole = requests.get(server.url + path, timeout=30)
    assert (head.status_code, head.content) == (whole.status_code, b"")
    assert head.headers["content-type"] == whole.headers["content-type"]
    assert requests.head(server.url + "/live/now", timeout=10).status_code == 405


def test_series_leave_as_parquet_whose_columns_carry_their_units(server: Server) -> None:
    # Source: read back by Apache Arrow's library (pyarrow).
    query = f"{WEEK}&zone=slip-bay&quantity=relative_humidity_frac&quantity=dew_point_c&quantity=margin_k"
    answer = requests.get(f"{server.url}/api/series.parquet?{query}", timeout=30)
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    table = pyarrow.parquet.read_table(io.BytesIO(answer.content))
    units = {field.name: (field.metadata or {}).get(b"unit") for field in table.schema}
    assert units["dew_point_c"] == b"Cel"
    assert (units["relative_humidity_frac"], units["margin_k"]) == (b"1", b"K")
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    told = json.loads(table.schema.metadata[b"dryshift"])["units"]
    assert told == {name: unit.decode() for name, unit in units.items() if unit}
    one = f"{WEEK}&zone=slip-bay&source=slip-3&quantity=relative_humidity_frac&raw=true"
    raw = requests.get(f"{server.url}/api/series?{one}", timeout=30).json()[0]["points"]
    rows = [row for row in table.to_pylist() if row["source"] == "slip-3"]
    assert [row["time"].timestamp() for row in rows] == pytest.approx([p["time_s"] for p in raw], abs=1e-3)
    assert [row["relative_humidity_frac"] for row in rows] == [p["value"] for p in raw]
    assert [row["doubtful"] for row in rows] == [p["doubtful"] for p in raw]
    assert {row["dew_point_c"] for row in rows} == {None}  # not known is no number
    assert requests.get(f"{server.url}/api/series.parquet?{WEEK}&zone=x", timeout=10).status_code == 404


def test_every_stored_quantity_has_a_unit() -> None:
    for quantity in Quantity:
        assert unit_of(quantity)


def test_metrics_say_when_each_sensor_was_heard_what_waits_and_no_more_things_than_their_bound(
    shop: sample.Shop, server: Server
) -> None:
    families = _families(server)
    heard = {s.labels["sensor"]: s.value for s in families[HEARD].samples}
    told = {one.sensor: one.last_time_s for zone in shop.picture.zones for one in zone.sensors}
    assert heard == {name: when for name, when in told.items() if when is not None}
    waiting = Part("channel phone", False, "not delivering", {"waiting": 3.0, "behind_s": 40.0})
    package = shop.picture.packages[0]
    many = tuple(replace(package, id=f"more-{n}", level=Level.SAFE) for n in range(metrics.MOST_THINGS + 5))
    shop.picture = replace(shop.picture, parts=(waiting,), packages=(*many, package))
    families = _families(server)
    assert _value(families["dryshift_queue_length"], part="channel phone") == 3.0
    assert _value(families["dryshift_behind_seconds"], part="channel phone") == 40.0
    exposures = families["dryshift_exposure_seconds"].samples
    assert len(exposures) == metrics.MOST_THINGS
    assert package.id in {s.labels["id"] for s in exposures}  # the worst is never left out
    assert _value(families["dryshift_things_left_out"]) == 6.0


def test_metrics_of_a_shop_that_is_not_judged_hold_no_number_of_its_air(
    shop: sample.Shop, server: Server
) -> None:
    shop.picture = not_judged(shop.picture, "not judged for 10 min")
    families = _families(server)
    assert _value(families["dryshift_judged"]) == 0.0
    assert not families["dryshift_dew_point_celsius"].samples
    assert not families["dryshift_surface_margin_kelvin"].samples
    levels = families["dryshift_zone_level"].samples
    assert {s.labels["dryshift_zone_level"] for s in levels if s.value} == {"unknown"}


HEARD = "dryshift_sensor_last_heard_timestamp_seconds"


def _families(server: Server) -> dict[str, Metric]:
    text = requests.get(server.url + "/metrics", headers=OPENMETRICS, timeout=10).text
    return {family.name: family for family in text_string_to_metric_families(text)}


def _value(family: Metric, **labels: str) -> float:
    (found,) = (one.value for one in family.samples if one.labels == labels)
    return found


def test_metrics_parse_as_openmetrics(server: Server) -> None:
    # read back by the parser of the prometheus_client library
    response = requests.get(server.url + "/metrics", headers=OPENMETRICS, timeout=10)
    assert response.headers["content-type"].startswith("application/openmetrics-text")
    assert response.text.endswith("# EOF\n")
    families = {family.name: family for family in text_string_to_metric_families(response.text)}
    levels = {
        sample_.labels["dryshift_zone_level"]: sample_.value
        for sample_ in families["dryshift_zone_level"].samples
        if sample_.labels["id"] == "gas-cage"
    }
    assert levels == {"danger": 1.0, "caution": 0.0, "safe": 0.0, "unknown": 0.0}
    assert {s.labels["id"] for s in families["dryshift_dew_point_celsius"].samples} == {
        "slip-bay", "panel-hall", "wire-store", "gas-cage", "slipway-mast",
    }  # fmt: skip
    assert families["dryshift_readings"].type == "counter"


def test_the_description_is_whole(shop: sample.Shop) -> None:
    description = create_app(shop.deps).openapi()
    for path, methods in description["paths"].items():
        for operation in methods.values():
            assert operation.get("summary"), path
            assert operation.get("description"), path
    assert "Problem" in description["components"]["schemas"]


@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(data=st.data())
def test_no_request_that_the_description_allows_breaks_the_service(
    server: Server, data: st.DataObject
) -> None:
    # made by schemathesis from our own OpenAPI description
    schema = _description(server.url)
    operation = data.draw(st.sampled_from([found.ok() for found in schema.get_all_operations()]))
    mode = data.draw(st.sampled_from(list(GenerationMode)))
    case = data.draw(operation.as_strategy(mode))
    response = case.call()
    assert response.status_code < 500 or operation.path == "/readyz"
    content = response.headers["content-type"][0]
    assert content.startswith(
        ("application/json", "application/problem+json", "text/plain; version=0.0.4", metrics.OPEN, PARQUET)
    )


@cache
def _description(url: str) -> Any:
    return schemathesis.openapi.from_url(url + "/openapi.json")
