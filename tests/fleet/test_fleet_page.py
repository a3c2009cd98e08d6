"""The page of all shops shows strangers nothing, and lets its own people in as a shop does."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.engine.build import known_reference
from monitor.fleet.common_desk import common_desk
from monitor.fleet.shop_settings import Neighbours, in_fleet
from monitor.model.errors import InputError
from monitor.model.event import EventKind
from monitor.settings.file import load
from monitor.settings.fleet_file import load_fleet
from monitor.store.fleet_book import FleetBook, ShopStanding
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.web.fleet_page import FleetPages, create_fleet_app
from monitor.web.server import serve
from tests.access.desks import OTHER, WORDS
from tests.test_settings import SMALL, write
from tests.web.signed_in import Browser

TOKEN = "a token for tests only, long enough to be one"
FLEET = f"""
timezone = "Europe/London"
[[people]]
id = "kim"
name = "Kim"
role = "keeper"
[[people]]
id = "rae"
name = "Rae"
role = "reviewer"
[[programs]]
id = "watcher"
token = "{TOKEN}"
"""
TOLD = [
    ShopStanding("calm", "one", "http://127.0.0.1:1", "safe", "Dry", 1.0),
    ShopStanding("wet", "one", "http://127.0.0.1:2", "danger", "Wet now", 1.0),
]
SHUT = ("/", "/wall", "/api/shops", "/account", "/people")


class Visitor(Browser):
    """Takes the form's token from the page of the form."""

    def token(self) -> str:
        page = self.see("/log-in").text
        found = re.search(r'name="form_token" value="([^"]+)"', page)
        assert found is not None, page
        return found[1]


@pytest.fixture
def fleet_file(tmp_path: Path) -> Path:
    file = tmp_path / "fleet.toml"
    file.write_text(FLEET, encoding="utf-8")
    return file


@pytest.fixture
def site(fleet_file: Path, database: str) -> Iterator[tuple[str, str]]:
    """The served page before anybody has an account: its address, and the first link's token."""
    fleet = load_fleet(fleet_file, None, database)
    book = FleetBook(database)
    with common_desk(fleet, book) as (house, key, desk):
        shops = ["calm", "never", "wet"]
        server = serve(create_fleet_app(lambda: TOLD, shops, FleetPages(house, key, desk)), "127.0.0.1", 0)
        first = desk.first_link()
        assert first is not None
        yield server.url, first
        server.stop()
    book.close()


def keeper(site: tuple[str, str]) -> Visitor:
    kim = Visitor(site[0])
    assert kim.fill(f"/join/{site[1]}", person="kim", password=WORDS).status_code == 303
    return kim


def test_strangers_see_no_shop_before_the_first_account_and_after(site: tuple[str, str]) -> None:
    for made in (False, True):
        stranger = Visitor(site[0])
        for path in SHUT:
            answer = stranger.see(path)
            assert answer.status_code in (303, 401), path
            assert not re.search("calm|wet|never|Dry", answer.text), path
        said = stranger.see("/readyz")
        assert (said.status_code, said.json()) == (503, {"ok": False, "judged by nobody": 1})
        if not made:
            keeper(site)


def test_its_people_log_in_and_only_who_keeps_accounts_lets_others_in(
    site: tuple[str, str], database: str
) -> None:
    kim = keeper(site)
    page = kim.see("/").text
    assert [page.index(f">{name}<") for name in ("never", "wet", "calm")] == sorted(
        page.index(f">{name}<") for name in ("never", "wet", "calm")
    )
    assert 'href="http://127.0.0.1:2"' in page
    assert "1 of 3 judged by nobody" in page
    handed = re.search(r"<code>http://[^/]+(/join/[\w-]+)</code>", kim.keep("invite", person="rae").text)
    assert handed is not None
    rae = Visitor(site[0])
    assert rae.fill(handed[1], password=OTHER).status_code == 303
    assert rae.see("/api/shops").json()[0]["id"] == "never"
    assert rae.see("/people").status_code == 422  # a reviewer keeps no accounts
    again = Visitor(site[0])
    assert again.log_in("Rae", WORDS).status_code == 422
    assert again.log_in("Rae", OTHER).status_code == 303
    kim.keep("close", person="rae")
    assert again.see("/").status_code == 303
    assert kim.fill("/log-out").status_code == 303
    assert kim.see("/").status_code == 303
    book = FleetBook(database)
    ledger = open_ledger(book.own_ledger_url())
    told = [(event.subject, event.body["entry"]) for event in ledger.events(kinds=[EventKind.ACCOUNT])]
    assert ("kim", "account_made") in told
    assert ("rae", "account_closed") in told
    ledger.close()
    book.close()


def test_a_wall_screen_of_all_shops_shows_and_leads_nowhere(site: tuple[str, str]) -> None:
    kim = keeper(site)
    handed = re.search(r"<code>http://[^/]+(/screen/[\w-]+)</code>", kim.keep("wall", name="Office").text)
    assert handed is not None
    wall = Visitor(site[0])
    assert wall.see(handed[1]).status_code == 303
    shown = wall.see("/wall")
    assert (shown.status_code, "Wet now" in shown.text, "127.0.0.1:2" in shown.text) == (200, True, False)
    assert wall.see("/").status_code == 303


def test_a_program_reads_with_its_token_alone(site: tuple[str, str]) -> None:
    keeper(site)
    for token, status in ((TOKEN, 200), (TOKEN[:-1], 401), ("", 401)):
        header = {"authorization": f"Bearer {token}"}
        assert requests.get(f"{site[0]}/api/shops", headers=header, timeout=10).status_code == status


def test_a_link_of_a_shop_leads_on_to_where_its_pages_are_now(site: tuple[str, str]) -> None:
    stranger = Visitor(site[0])
    on = stranger.see("/shop/wet/a/AbC123?x=1")
    assert (on.status_code, on.headers["location"]) == (307, "http://127.0.0.1:2/a/AbC123?x=1")
    assert stranger.see("/shop/wet").headers["location"] == "http://127.0.0.1:2/"
    answers = {stranger.see(f"/shop/{name}/a/AbC123").text for name in ("never", "unheard-of")}
    assert len(answers) == 1  # whether there is such a shop is told to nobody
    assert "No such shop answers now" in answers.pop()


def test_the_page_answers_to_its_own_names_and_takes_no_form_from_elsewhere(site: tuple[str, str]) -> None:
    kim = keeper(site)
    assert kim.see("/", headers={"host": "evil.example"}).status_code == 421
    foreign = {"origin": "http://evil.example", "sec-fetch-site": "cross-site"}
    data = {"form_token": kim.token(), "act": "invite", "person": "rae", "password": WORDS}
    assert kim.post(f"{site[0]}/people", data=data, headers=foreign, timeout=10).status_code == 403
    assert "content-security-policy" in kim.see("/").headers


def test_commands_keep_the_accounts_of_all_shops_by_their_own_file(
    site: tuple[str, str], fleet_file: Path, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper(site)
    monkeypatch.setenv("DRYSHIFT_FLEET_DATABASE", database)
    made = CliRunner().invoke(main, ["invite", str(fleet_file), "rae"])
    found = re.search(r"(/join/[\w-]+)", made.output)
    assert found is not None, made.output
    assert Visitor(site[0]).fill(found[1], password=OTHER).status_code == 303
    listed = CliRunner().invoke(main, ["accounts", str(fleet_file)]).output
    assert "kim, Kim: logged in on" in listed
    assert "rae, Rae: logged in on" in listed


@pytest.mark.parametrize("line", ['log_in = "names"', 'user_header = "X-User"', 'readers = "network"'])
def test_no_setting_opens_the_page_of_all_shops_to_strangers(fleet_file: Path, line: str) -> None:
    fleet_file.write_text(f'database = "postgresql://h/d"\n{FLEET}[web]\n{line}\n', encoding="utf-8")
    with pytest.raises(InputError, match="own accounts alone"):
        load_fleet(fleet_file)


def test_a_fleet_without_a_database_is_told_so(fleet_file: Path) -> None:
    with pytest.raises(InputError, match="database"):
        load_fleet(fleet_file)


def test_a_shop_is_in_its_fleets_schema_with_cookies_and_links_of_its_own(tmp_path: Path) -> None:
    own = f'database = "postgresql://h/d"\n[web]\npublic_url = "https://all.example"\n{FLEET}'
    own = own.replace('timezone = "Europe/London"\n', "")
    (tmp_path / "fleet.toml").write_text(own, encoding="utf-8")
    fleet = load_fleet(tmp_path / "fleet.toml")
    plain = load(write(tmp_path, f'[mqtt]\nbroker = "external"\n{SMALL}'), None, known_reference())
    settings = in_fleet(plain, fleet, "a", "postgresql://h/d?options=x")
    assert settings.store.ledger_url is not None
    assert settings.web.public_url == "https://all.example/shop/a"
    assert settings.web.cookie_mark == "a"
    alone = load(write(tmp_path, SMALL), None, known_reference())
    with pytest.raises(InputError, match="no broker that every worker and sensor reaches"):
        in_fleet(alone, fleet, "a", "postgresql://h/d")


def test_shops_that_would_hear_each_others_sensors_are_refused_and_the_others_run(tmp_path: Path) -> None:
    owns = {
        "a": ("id-a", "works", "data-a"),
        "b": ("id-b", "works/b", "data-b"),  # heard by a, which takes all below its own
        "c": ("id-c", "c", "data-c"),
        "d": ("id-c", "d", "data-d"),
        "e": ("id-e", "e", "data-a"),
        "f": ("id-f", "f", "data-f"),
        "g": ("id-f", "works/b", "data-g"),  # at a broker of its own
    }
    for name, (client, root, data) in owns.items():
        port = 1884 if name == "g" else 1883
        broker = f'[mqtt]\nport = {port}\nclient_id = "{client}"\ntopic_root = "{root}"\n'
        text = f'[service]\ndata_dir = "{data}"\n{broker}'
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    neighbours = Neighbours({name: tmp_path / f"{name}.toml" for name in owns})
    refused = neighbours.refused()
    assert set(refused) == {"a", "b", "c", "d", "e"}
    assert refused["b"] == "mqtt.topic_root works/b is also that of shop a; give each its own"
    assert "mqtt.client_id id-c is also that of shop d" in refused["c"]
    assert "service.data_dir" in refused["e"]
    (tmp_path / "b.toml").unlink()
    assert "b" not in Neighbours({"b": tmp_path / "b.toml"}).refused()  # its own process says what is wrong


@pytest.mark.parametrize("folder", ["backup_dir", "archive_dir"])
def test_shops_that_would_make_each_others_copies_go_are_refused(tmp_path: Path, folder: str) -> None:
    for name, there in (("a", "kept"), ("b", "./kept"), ("c", "kept/c"), ("d", "")):
        line = f'{folder} = "{there}"\n' if there else ""
        own = f'[service]\ndata_dir = "{name}"\n[mqtt]\nclient_id = "{name}"\ntopic_root = "{name}"\n'
        (tmp_path / f"{name}.toml").write_text(f"[store]\n{line}{own}", encoding="utf-8")
    refused = Neighbours({name: tmp_path / f"{name}.toml" for name in "abcd"}).refused()
    assert set(refused) == {"a", "b"}
    assert f"store.{folder}" in refused["a"]
    (tmp_path / "alone.toml").write_text(f'[store]\n{folder} = "kept"\n{SMALL}', encoding="utf-8")
    alone = load(tmp_path / "alone.toml", None, known_reference())
    assert (
        getattr(alone.store, folder) == tmp_path / "kept"
    )  # as the service reads it, wherever it is started


def test_check_names_what_keeps_a_shop_from_being_run_beside_the_others(tmp_path: Path) -> None:
    own = f'database = "postgresql://h/d"\n{FLEET}'
    (tmp_path / "fleet.toml").write_text(own, encoding="utf-8")
    for name in ("north", "south"):
        (tmp_path / f"{name}.toml").write_text(SMALL, encoding="utf-8")
    said = CliRunner().invoke(main, ["check", "--no-broker", str(tmp_path / "north.toml")])
    assert said.exit_code == 1, said.output
    assert "no broker that every worker and sensor reaches" in said.output
    assert "mqtt.topic_root dryshift is also that of shop south" in said.output
