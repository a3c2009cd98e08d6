"""What programs enter: everything the pages can, once however often it is sent, each under a name."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from monitor.history.entries import ENTRIES, Opened
from monitor.history.entry_schemas import schemas
from monitor.model.event import EventKind
from monitor.settings.reference import shared_folder
from monitor.web.app import create_app
from monitor.web.pages.api_entries import HOW
from monitor.web.server import Server, serve
from tests.bookkeeper.yard import HOUR, LEAD, START_S, Yard, yard_settings
from tests.web import sample
from tests.web.sample_shop import BOARD_TOKEN
from tests.web.yard_pages import deps_of

TOKEN = "a scanner's token, made up for tests"
HEAD = {"authorization": f"Bearer {TOKEN}"}
SPOOL = {"entry": "opened", "name": "Spool 9", "consumable": "fcaw-folded-h8", "zone": "slip-bay"}
BEAD = {
    "entry": "bead",
    "rule": "iso5817-b",
    "weld": "fillet",
    "length_m": 0.3,
    "thickness_m": 0.01,
    "throat_m": 0.005,
    "package": "spool-9",
    "none_seen": True,
}
READ = {"salt": "sodium_chloride", "temperature_c": 20.0, "indicated_frac": 0.76, "time_s": START_S + 60}


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    programs = [{"id": "scanner", "role": "lead", "token": TOKEN}]
    people = [{"id": "lead", "name": LEAD, "role": "lead"}]
    yard = Yard(tmp_path, yard_settings(tmp_path, programs=programs, people=people))
    yard.run_to(START_S + 600)
    yield yard
    yard.close()


@pytest.fixture
def url(yard: Yard) -> Iterator[str]:
    server = serve(create_app(deps_of(yard, oven_doubts=yard.keeper.oven_doubts)), "127.0.0.1", 0)
    yield server.url
    server.stop()


def enter(url: str, path: str, key: str, **given: Any) -> requests.Response:
    head = {**HEAD, "idempotency-key": key}
    return requests.post(f"{url}/api/{path}", json={"who": LEAD, **given}, headers=head, timeout=10)


def test_a_scanner_opens_bags_runs_off_tries_and_withdraws_a_spool(yard: Yard, url: str) -> None:
    opened = enter(url, "packages/spool-9", "open-spool-9", entry=SPOOL)
    assert opened.status_code == 201, opened.text
    assert opened.json()["subject"] == "spool-9"
    assert opened.json()["body"]["known_by"] == "program_token scanner"
    bagged = enter(url, "packages/spool-9", "bag-spool-9", entry={"entry": "moved", "place": "bagged"})
    assert bagged.json()["body"]["zone"] == "slip-bay"  # where it is, for nobody said otherwise
    for key, entry in (
        ("machine-9", {"entry": "moved", "place": "on-machine", "zone": "panel-hall"}),
        ("ran-off-9", {"entry": "ran-off", "depth_m": 0.003}),
        ("try-bead-9", {"entry": "test-bead", "sound": True}),
    ):
        assert enter(url, "packages/spool-9", key, entry=entry).status_code == 201, key
    thing = requests.get(f"{url}/api/things/spool-9", timeout=10).json()
    assert (thing["zone"], thing["place"], thing["ended"]) == ("panel-hall", "on machine", False)
    enter(url, "packages/spool-9", "withdraw-9", entry={"entry": "withdrawn"})
    now = requests.get(f"{url}/api/things", timeout=10).json()
    assert "spool-9" not in {one["id"] for one in now}
    all_ = requests.get(f"{url}/api/things?ended=true", timeout=10).json()
    assert "spool-9" in {one["id"] for one in all_}


def test_the_same_key_is_the_same_entry_however_often_it_is_sent(yard: Yard, url: str) -> None:
    first = enter(url, "packages/spool-9", "open-spool-9", entry=SPOOL)
    for key in ("open-spool-9", '"open-spool-9"'):  # bare, or as the header's draft writes it
        again = enter(url, "packages/spool-9", key, entry=SPOOL)
        assert (again.status_code, again.json()) == (200, first.json())
    assert len(yard.ledger.events(subject="spool-9")) == 1
    other = enter(url, "packages/spool-9", "open-spool-9", entry={"entry": "withdrawn"})
    assert other.status_code == 422
    assert other.json()["faults"][0]["field"] == "Idempotency-Key"
    assert len(yard.ledger.events(subject="spool-9")) == 1
    body = {"who": LEAD, "entry": SPOOL}
    nameless = requests.post(f"{url}/api/packages/spool-9", json=body, headers=HEAD, timeout=10)
    assert nameless.status_code == 422


def test_cylinders_plates_and_stores_are_entered_as_on_the_pages(yard: Yard, url: str) -> None:
    done = [
        (
            "cylinders/mix-31",
            {"entry": "delivered", "name": "Mix 31", "gas": "argon-co2", "zone": "gas-cage"},
        ),
        ("cylinders/mix-31", {"entry": "brought-in", "zone": "slip-bay"}),
        ("cylinders/mix-31", {"entry": "connected", "machine": "machine 4"}),
        ("cylinders/mix-31", {"entry": "gauge-read", "pressure_pa": 15e6}),
        ("cylinders/mix-31", {"entry": "changed"}),
        ("plates/deck-9", {"entry": "brought-in", "name": "Deck 9", "zone": "slip-bay", "thickness_m": 0.02}),
        ("plates/deck-9", {"entry": "gone"}),
        ("stores/quay-oven", {"entry": "checked", "temperature_c": 131.0}),
        ("stores/quay-cabinet", {"entry": "desiccant-renewed"}),
    ]
    for number, (path, entry) in enumerate(done):
        answer = enter(url, path, f"entry-number-{number}", entry=entry)
        assert answer.status_code == 201, (path, entry, answer.text)


def test_a_bead_is_judged_here_and_tells_its_package(yard: Yard, url: str) -> None:
    enter(url, "packages/spool-9", "open-spool-9", entry=SPOOL)
    made = enter(url, "beads/bead-1", "bead-number-1", entry=BEAD)
    assert made.status_code == 201, made.text
    assert made.json()["body"]["outcome"]
    assert made.json()["body"]["seen"]["zone"]
    assert enter(url, "beads/bead-1", "bead-number-1", entry=BEAD).status_code == 200
    (told,) = [one for one in yard.ledger.events(subject="spool-9") if one.body["entry"] == "test-bead"]
    assert told.body["bead"] == "bead-1"
    claimed = enter(url, "beads/bead-2", "bead-number-2", entry={**BEAD, "outcome": "accepted"})
    assert claimed.status_code == 422
    assert claimed.json()["faults"][0]["field"] == "entry.outcome"
    sound = {"entry": "test-bead", "sound": True, "seen": {"dew_point_c": -20.0}}
    assert enter(url, "packages/spool-9", "false-seen", entry=sound).status_code == 422


def test_what_something_speaks_against_is_entered_only_when_one_is_sure(yard: Yard, url: str) -> None:
    enter(url, "packages/rods-3", "open-rods-3", entry={**SPOOL, "name": "Rods 3", "consumable": "e6010"})
    redried = {"entry": "moved", "place": "redry", "zone": "rod-oven"}
    doubted = enter(url, "packages/rods-3", "redry-rods-3", entry=redried)
    assert doubted.status_code == 409, doubted.text
    assert doubted.json()["faults"]
    assert [one.body["entry"] for one in yard.ledger.events(subject="rods-3")] == ["opened"]
    assert enter(url, "packages/rods-3", "redry-rods-3", entry=redried, sure=True).status_code == 201
    assert enter(url, "packages/rods-3", "redry-rods-3", entry=redried).status_code == 200


@pytest.mark.parametrize(
    ("path", "given", "field"),
    [
        ("packages/spool-9", {"entry": {**SPOOL, "zone": "attic"}}, "zone"),
        ("packages/spool-9", {"entry": {**SPOOL, "colour": "red"}}, "colour"),
        ("packages/spool-9", {"entry": {"entry": "melted"}}, "entry"),
        ("packages/spool-9", {"entry": SPOOL, "time_s": START_S + 900 * HOUR}, "time"),
        ("packages/spool-9", {"entry": SPOOL, "who": "a stranger"}, "who"),
        ("packages/spool-9", {"entry": SPOOL, "who": ""}, "who"),
        ("plates/deck-9", {"entry": {"entry": "brought-in", "name": "D", "zone": "slip-bay"}}, "brought-in"),
        ("sensors/nobody/checks", {"readings": [READ]}, "sensor"),
    ],
)
def test_what_cannot_be_true_is_refused_with_its_field_and_nothing_is_written(
    yard: Yard, url: str, path: str, given: dict[str, Any], field: str
) -> None:
    before = yard.ledger.head()
    answer = enter(url, path, "refused-entry", **given)
    assert answer.status_code == 422, answer.text
    assert field in {one["field"].rpartition(".")[2] for one in answer.json()["faults"]}
    assert yard.ledger.head() == before


@pytest.mark.parametrize("path", ["packages/spool-9", "sensors/nobody/checks", "ticks", "events/1/take-back"])
def test_without_a_token_nothing_is_entered_and_nothing_said(yard: Yard, url: str, path: str) -> None:
    before = yard.ledger.head()
    body = {"who": LEAD, "entry": "done" if path == "ticks" else SPOOL, "readings": [READ], "action": "door"}
    head = {"idempotency-key": "a-stranger-1"}
    answer = requests.post(f"{url}/api/{path}", json=body, headers=head, timeout=10)
    assert answer.status_code == 401, answer.text
    assert yard.ledger.head() == before


def test_a_check_over_salt_is_worked_out_and_a_slip_is_taken_back(yard: Yard, url: str) -> None:
    path = f"sensors/{yard.settings.sensors[0].id}/checks"
    first = enter(url, path, "salt-check-1", readings=[READ])
    assert first.status_code == 201, first.text
    assert first.json()["time_s"] == START_S + 60
    assert enter(url, path, "salt-check-1", readings=[READ]).status_code == 200
    number = first.json()["number"]
    body = {"who": LEAD, "why": "the lid was open"}
    for _ in range(2):
        undone = requests.post(f"{url}/api/events/{number}/take-back", json=body, headers=HEAD, timeout=10)
        assert (undone.status_code, undone.json()["body"]["of"]) == (200, number)
    assert len(yard.ledger.events(kinds=[EventKind.CORRECTION])) == 1
    missing = requests.post(f"{url}/api/events/999999/take-back", json=body, headers=HEAD, timeout=10)
    assert missing.status_code == 404


def test_an_action_is_ticked_off_once_and_opened_again(own: sample.Shop, site: Server) -> None:
    head = {"authorization": f"Bearer {BOARD_TOKEN}"}
    action = own.picture.actions[0].id

    def tick(entry: str) -> dict[str, Any]:
        body = {"who": sample.LEAD, "action": action, "entry": entry}
        answer = requests.post(f"{site.url}/api/ticks", json=body, headers=head, timeout=10)
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    assert tick("done") == tick("done")
    assert tick("open")["body"]["entry"] == "open"
    assert len(own.ledger.events(kinds=[EventKind.PLAN], subject=action)) == 2


def test_every_operation_has_a_name_of_its_own_and_every_entry_is_described(url: str) -> None:
    description = requests.get(f"{url}/openapi.json", timeout=10).json()
    names = [
        operation["operationId"]
        for methods in description["paths"].values()
        for operation in methods.values()
    ]
    assert len(names) == len(set(names))
    assert all(name.isalnum() and name[0].islower() and len(name) <= 20 for name in names), names
    told = {(kind, one["properties"]["entry"]["const"]) for kind in HOW for one in schemas(kind)}
    assert told == {(made.kind, made.entry) for made in ENTRIES}
    (opened,) = [one for one in schemas(EventKind.PACKAGE) if one["title"] == Opened.__name__]
    assert set(opened["required"]) == {"entry", "name", "consumable", "zone"}


def test_the_package_says_that_it_is_typed() -> None:
    assert (shared_folder().parent / "monitor" / "py.typed").is_file()
