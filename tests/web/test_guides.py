"""The guides: every command and snippet in them is run, every page prints, every alarm has its line."""

import json
import re
import shlex
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from click.testing import CliRunner, Result
from playwright.sync_api import Browser

from monitor.cli.main import main
from monitor.settings.reference import guides_folder
from monitor.web.pages.guide_page import GUIDES
from monitor.web.server import Server
from tests.test_setup import ANSWERS, setup
from tests.web.printed import read_back

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted(guides_folder().glob("*/*.md"))
KINDS = tomllib.loads((ROOT / "shared" / "conditions.toml").read_text(encoding="utf-8"))["kinds"]
BY_ROOTS = "\n".join(file.read_text(encoding="utf-8") for file in (ROOT / "tests" / "roots").glob("*.sh"))
ONE_SHEET = {"lead-card"}


def blocks(kind: str) -> Iterator[tuple[str, str]]:
    """The snippets of a kind, each with its guide."""
    for file in FILES:
        for text in re.findall(rf"^```{kind}\n(.*?)^```", file.read_text(encoding="utf-8"), re.M | re.S):
            yield file.stem, text


COMMANDS = [(guide, line) for guide, text in blocks("sh") for line in text.splitlines()]
WORDS = {line: shlex.split(line.removeprefix("sudo ")) for _, line in COMMANDS}


@pytest.fixture(scope="module")
def set_up(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the first set-up leaves it, with one copy of its record."""
    folder = tmp_path_factory.mktemp("shop")
    answers = {k: v for k, v in ANSWERS.items() if not k.startswith(("mail", "forecast"))}
    answers |= {"broker": "mosquitto", "people": ["Ann Ferrymoor: push json://127.0.0.1:9/"]}
    done = setup(folder, answers)
    assert done.exit_code == 0, done.output
    (folder / "data").mkdir()
    run(folder, ["dryshift-shop", "backup", "/var/backups/dryshift"])
    (folder / "message.json").write_text(next(text for _, text in blocks("json")), encoding="utf-8")
    return folder


def run(folder: Path, words: list[str]) -> Result:
    """A command of a guide on this shop: `dryshift-shop X` is `dryshift X` on the installed settings."""
    if words[0] == "dryshift-shop":
        words = ["dryshift", words[1], "/etc/dryshift/shop.toml", *words[2:]]
    places = {
        "/etc/dryshift": str(folder / "etc"),
        "/var/backups/dryshift/dryshift-20260914T060000Z": str(newest_copy(folder)),
        "/var/backups/dryshift": str(folder / "backups"),
        "/var/lib/dryshift": str(folder / "data"),
        "message.json": str(folder / "message.json"),
    }
    for old, new in places.items():
        words = [word.replace(old, new) for word in words]
    return CliRunner().invoke(main, words[1:])


def newest_copy(folder: Path) -> Path:
    return max((folder / "backups").glob("dryshift-*"), default=folder / "none")


OURS = [line for line, words in WORDS.items() if words[0] in ("dryshift", "dryshift-shop")]
# What needs a phone, a record with that proof, or a broker that runs says so; it is understood all the same.
SAYS = {
    "sudo dryshift-shop check": (1, "broker 127.0.0.1:8883"),
    "sudo dryshift-shop test-channel": (1, "ann-ferrymoor-phone"),
    "sudo dryshift-shop verify --witness 48213:a3f19c2e77b041de": (1, "is missing at the end"),
}


@pytest.mark.parametrize("line", [line for line in OURS if WORDS[line][1:2] != ["setup"]])
def test_every_command_of_ours_in_a_guide_does_what_it_says(set_up: Path, line: str) -> None:
    code, said = SAYS.get(line, (0, ""))
    done = run(set_up, WORDS[line])
    assert (done.exit_code, "Error" in done.output) == (code, False), done.output
    assert said in done.output


def test_every_other_command_in_a_guide_is_run_on_a_fresh_root() -> None:
    """By hand: sh tests/roots/package.sh SUITE lead."""
    others = [words for line, words in WORDS.items() if line not in OURS]
    assert {words[0] for words in others} == {"sh", "apt"}
    for words in others:
        if words[0] == "sh":
            assert subprocess.run(["sh", "-n", str(ROOT / words[1])]).returncode == 0
            assert words[1] in BY_ROOTS
        else:
            assert {one for one in words[2:] if "/" not in one} <= set(re.findall(r"[\w-]+", BY_ROOTS))
    assert "dryshift setup" in BY_ROOTS


@pytest.mark.parametrize("text", [text for _, text in blocks("json")])
def test_every_message_in_a_guide_is_understood(tmp_path: Path, text: str) -> None:
    json.loads(text)
    (tmp_path / "message.json").write_text(text, encoding="utf-8")
    done = CliRunner().invoke(main, ["check-payload", str(tmp_path / "message.json")])
    assert done.exit_code == 0, done.output


def test_every_guide_is_listed_and_opens(server: Server) -> None:
    assert {file.stem for file in FILES} == set(GUIDES)
    listed = requests.get(f"{server.url}/guide", timeout=20).text
    for name in (*GUIDES, "alarms"):
        assert f'href="/guide/{name}"' in listed
        assert requests.get(f"{server.url}/guide/{name}", timeout=20).status_code == 200
    assert requests.get(f"{server.url}/guide/none", timeout=20).status_code == 404


def test_every_kind_of_alarm_has_a_line_that_says_what_to_do(server: Server) -> None:
    text = requests.get(f"{server.url}/guide/alarms", timeout=20).text
    assert [name for name in KINDS if f'<section id="{name}' not in text] == []


@pytest.mark.parametrize("name", [*GUIDES, "alarms"])
def test_a_guide_prints_whole(server: Server, chromium: Browser, name: str) -> None:
    tab = chromium.new_page()
    try:
        tab.goto(f"{server.url}/guide/{name}")
        printed = read_back(tab.pdf(format="A4"))
    finally:
        tab.close()
    assert printed
    assert [page.outside() for page in printed if page.outside()] == []
    if name in ONE_SHEET:
        assert len(printed) == 1


@pytest.mark.parametrize("name", [*GUIDES, "alarms"])
@pytest.mark.parametrize("width", [320, 390])
def test_a_guide_fits_a_phone(server: Server, chromium: Browser, name: str, width: int) -> None:
    tab = chromium.new_page(viewport={"width": width, "height": 800})
    try:
        tab.goto(f"{server.url}/guide/{name}")
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
    finally:
        tab.close()
