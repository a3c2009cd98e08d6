"""Letting people in and out at the machine: `run` with its first link, `invite`, `accounts`, `check`."""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.model.event import EventKind
from monitor.settings.file import load
from monitor.store.opener import open_ledger_for
from tests.access.desks import OTHER, WORDS
from tests.web.signed_in import Browser

SHOP = """
[mqtt]
broker = "embedded"
port = 0
[web]
port = 0
%s
[[sites]]
id = "works"
name = "Works"
timezone = "Europe/London"
[[zones]]
id = "bay"
site = "works"
name = "Bay"
kind = "bay"
[[sensors]]
id = "bay-1"
zone = "bay"
measures = [
  { quantity = "air_temperature_c", unit = "Cel" },
  { quantity = "relative_humidity_frac", unit = "%%RH" },
]
[[people]]
id = "ann"
name = "Ann Lovell"
[[people]]
id = "ben"
name = "Ben Quill"
role = "reviewer"
"""
LINK = re.compile(r"(http://\S+)(/join/[\w-]+)")


def shop(folder: Path, web: str = "") -> str:
    file = folder / "shop.toml"
    file.write_text(SHOP % web, encoding="utf-8")
    return str(file)


def said(*arguments: str, code: int = 0) -> str:
    result = CliRunner().invoke(main, list(arguments))
    assert result.exit_code == code, result.output
    return result.output


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[str, str, str]]:
    """A service on a settings file: the file, its address, and what `run` said of the first account."""
    file = shop(tmp_path)
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "monitor", "run", file], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    pages = process.stdout.readline()
    first = process.stdout.readline()
    yield file, re.search(r"http://\S+", pages)[0], first  # type: ignore[index]
    process.terminate()
    process.communicate(timeout=60)


def test_run_prints_the_first_link_and_the_commands_reach_the_running_service(
    running: tuple[str, str, str],
) -> None:
    file, url, first = running
    assert first.startswith("No account yet. The first is made here, once, within 24 h: http://127.0.0.1:")
    link = LINK.search(first)
    assert link is not None
    lead, reviewer = Browser(url), Browser(url)
    assert lead.fill(link[2], person="ann", password=WORDS).status_code == 303
    invited = LINK.search(said("invite", file, "ben"))
    assert invited is not None
    assert reviewer.fill(invited[2], password=OTHER).status_code == 303
    assert reviewer.see("/alarms").status_code == 200
    listed = said("accounts", file)
    assert "ann, Ann Lovell: logged in on another device" in listed
    assert "ben: 1 devices logged out" in said("accounts", file, "--log-out", "ben", "--who", "Ann")
    assert reviewer.see("/alarms").status_code == 303
    assert lead.see("/alarms").status_code == 200
    reset = LINK.search(said("invite", file, "ben"))
    assert reset is not None
    assert "another password" in reviewer.see(reset[2]).text
    assert "the account is closed" in said("accounts", file, "--close", "ben")
    assert reviewer.see(reset[2]).status_code == 410
    ledger = open_ledger_for(load(Path(file)))
    told = [(e.body["entry"], e.body.get("known_by")) for e in ledger.events(kinds=[EventKind.ACCOUNT])]
    ledger.close()
    assert ("invited", "command_line") in told
    assert ("account_closed", "command_line") in told
    assert requests.get(url + "/healthz", timeout=20).status_code == 200


def test_the_commands_name_what_is_wrong(tmp_path: Path) -> None:
    file = shop(tmp_path)
    assert "name one of: ann, ben" in said("invite", file, "carla", code=2)
    assert "Nobody has an account yet" in said("accounts", file)
    believing = shop(tmp_path, 'log_in = "names"')
    assert "nobody has an account here" in said("invite", believing, "ann", code=2)


def test_a_link_made_before_the_service_ever_ran_is_there(tmp_path: Path) -> None:
    assert "/join/" in said("invite", shop(tmp_path), "ann")
    kept = tmp_path / "var" / "accounts.sqlite"
    assert kept.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("web", "line"),
    [
        ("", "people log in; accounts are kept by: Ann Lovell"),
        ('log_in = "names"', 'looks odd: web.log_in: "names": whoever reaches the pages answers warnings'),
        ('user_header = "X-Remote-User"', "whoever answers or enters is logged in by the proxy"),
    ],
)
def test_check_says_how_people_are_known(tmp_path: Path, web: str, line: str) -> None:
    assert line in said("check", shop(tmp_path, web))


def test_check_says_that_nobody_could_make_the_first_account(tmp_path: Path) -> None:
    file = Path(shop(tmp_path))
    file.write_text(file.read_text(encoding="utf-8").split("[[people]]")[0], encoding="utf-8")
    assert "nobody is a lead or keeper" in said("check", str(file))


def test_a_backup_takes_the_accounts_along(tmp_path: Path) -> None:
    file = shop(tmp_path)
    said("invite", file, "ann")
    said("backup", file, str(tmp_path / "copies"))
    assert [one.name for one in (tmp_path / "copies").glob("*/accounts.sqlite")] == ["accounts.sqlite"]
