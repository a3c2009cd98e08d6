"""The documents are held against the code: commands, settings, rooms, links, states, reasons."""

import re
import tomllib
from importlib import import_module
from pathlib import Path

import pytest
from pydantic import BaseModel

from monitor.alarms.states import AlarmState
from monitor.cli.main import main
from monitor.model.reading import MEASURED
from monitor.model.sensor import SensorStatus
from monitor.mqtt.rejection import RejectionReason
from monitor.settings.schema import Settings

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
EXAMPLE = (ROOT / "config" / "shop.example.toml").read_text(encoding="utf-8")
MESSAGES = (ROOT / "shared" / "messages" / "README.md").read_text(encoding="utf-8")
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *ROOT.glob("shared/**/*.md"),
    *ROOT.glob("deploy/**/*.md"),
]


@pytest.mark.parametrize("name", sorted(main.commands))
def test_every_command_is_in_the_readme(name: str) -> None:
    assert f"`dryshift {name}" in README


def settings_names(model: type[BaseModel], place: str = "") -> set[str]:
    names = set()
    for name, field in model.model_fields.items():
        inner = re.findall(r"monitor\.settings\.(\w+)", str(field.annotation))
        sections = [
            c for c in BaseModel.__subclasses__() for c in [*c.__subclasses__(), c] if c.__name__ in inner
        ]
        names.add(f"{place}{name}")
        for section in sections:
            names |= settings_names(section, f"{place}{name}.")
    return names


@pytest.mark.parametrize("name", sorted(settings_names(Settings)))
def test_every_setting_is_in_the_commented_example(name: str) -> None:
    last = name.rpartition(".")[2]
    assert re.search(rf"(^|\W){re.escape(last)}(\W|$)", EXAMPLE, re.MULTILINE), (
        f"{name} is not in the example"
    )


def test_the_readme_shows_exactly_two_commands_to_try() -> None:
    part = README.split("## Try it")[1].split("## ")[0]
    assert re.findall(r"^sh deploy/\S+$", part, re.MULTILINE) == ["sh deploy/demo.sh", "sh deploy/test.sh"]


@pytest.mark.parametrize(
    "room", sorted(p.name for p in (ROOT / "monitor").iterdir() if (p / "__init__.py").exists())
)
def test_every_room_is_in_the_contributors_guide(room: str) -> None:
    assert re.search(rf"`(monitor/)?{room}/", GUIDE)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_resolve(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), f"{document.name} links to {target}"


@pytest.mark.parametrize(
    "named", sorted(set(re.findall(r"`((?:deploy|config|shared|tests)/[\w./-]+)`", README + GUIDE)))
)
def test_files_that_the_documents_name_are_there(named: str) -> None:
    assert (ROOT / named).exists()


def test_every_path_of_code_that_the_guide_names_is_there() -> None:
    named = set(re.findall(r"`((?:[\w]+/)*\w+\.py|(?:\w+/)+)`", GUIDE))
    places = [
        ROOT,
        ROOT / "monitor",
        ROOT / "monitor" / "store",
        ROOT / "monitor" / "web",
        ROOT / "monitor" / "history",
    ]
    gone = sorted(name for name in named if not any((place / name).exists() for place in places))
    assert gone == []


def test_every_step_of_the_guides_journeys_names_what_is_there() -> None:
    journeys = re.findall(r"### A .*?\n\n(.*?)\n\n", GUIDE, re.S)
    assert len(journeys) == 2
    for journey in journeys:
        steps = re.findall(r"^\d+\. `([\w.]+)`", journey, re.M)
        assert len(steps) == len(journey.splitlines()) <= 25
        for step in steps:
            module, _, name = step.rpartition(".")
            owner = None
            if module.rpartition(".")[2][0].isupper():
                module, _, owner = module.rpartition(".")
            place = import_module(f"monitor.{module}")
            assert hasattr(getattr(place, owner) if owner else place, name), f"{step} is gone"


@pytest.mark.parametrize("quantity", sorted(MEASURED))
def test_every_measured_quantity_is_in_the_message_contract(quantity: str) -> None:
    assert quantity.rsplit("_", 1)[0] in MESSAGES


@pytest.mark.parametrize("reason", sorted(RejectionReason))
def test_every_reason_to_refuse_a_message_is_in_the_message_contract(reason: str) -> None:
    assert f"`{reason}`" in MESSAGES


def test_every_alarm_state_and_its_legal_moves_are_written_down() -> None:
    data = tomllib.loads((ROOT / "shared" / "alarm_states.toml").read_text(encoding="utf-8"))
    assert all(str(state) in str(data) for state in AlarmState)
    assert all(f"`{state}`" in GUIDE for state in AlarmState)


def test_every_sensor_status_is_in_the_guide() -> None:
    assert all(f"`{status}`" in GUIDE for status in SensorStatus)
