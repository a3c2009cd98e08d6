"""The documents are held against the code: commands, settings, rooms, links, states, reasons."""

import re
import tomllib
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import get_args

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


def test_every_command_is_in_the_readme() -> None:
    assert [name for name in main.commands if f"`dryshift {name}" not in README] == []


def sections_in(annotation: object) -> Iterator[type[BaseModel]]:
    """The tables that a setting may hold, through unions, tuples and annotations."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from sections_in(inner)


def settings_names(model: type[BaseModel], place: str = "") -> Iterator[str]:
    for name, field in model.model_fields.items():
        yield f"{place}{name}"
        for section in sections_in(field.annotation):
            yield from settings_names(section, f"{place}{name}.")


def test_every_setting_is_in_the_commented_example() -> None:
    words = set(re.findall(r"\w+", EXAMPLE))
    names = set(settings_names(Settings))
    assert {"zones.kind", "sensors.measures.unit", "weather.every_s"} <= names
    assert sorted(name for name in names if name.rpartition(".")[2] not in words) == []


def test_the_readme_shows_exactly_two_commands_to_try() -> None:
    part = README.split("## Try it")[1].split("## ")[0]
    assert re.findall(r"^sh deploy/\S+$", part, re.MULTILINE) == ["sh deploy/demo.sh", "sh deploy/test.sh"]


def test_every_room_is_in_the_contributors_guide() -> None:
    rooms = (place.name for place in (ROOT / "monitor").iterdir() if (place / "__init__.py").exists())
    assert [room for room in rooms if not re.search(rf"`(monitor/)?{room}/", GUIDE)] == []


def test_links_resolve() -> None:
    broken = [
        f"{document.relative_to(ROOT)} links to {target}"
        for document in DOCUMENTS
        for target in re.findall(r"\]\(([^)#]+)\)", document.read_text(encoding="utf-8"))
        if "://" not in target and not (document.parent / target).exists()
    ]
    assert broken == []


def test_files_that_the_documents_name_are_there() -> None:
    named = set(re.findall(r"`((?:deploy|config|shared|tests)/[\w./-]+)`", README + GUIDE))
    assert sorted(name for name in named if not (ROOT / name).exists()) == []


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


def test_every_measured_quantity_is_in_the_message_contract() -> None:
    assert [name for name in MEASURED if name.rsplit("_", 1)[0] not in MESSAGES] == []


def test_every_reason_to_refuse_a_message_is_in_the_message_contract() -> None:
    assert [reason for reason in RejectionReason if f"`{reason}`" not in MESSAGES] == []


def test_every_alarm_state_and_its_legal_moves_are_written_down() -> None:
    data = tomllib.loads((ROOT / "shared" / "alarm_states.toml").read_text(encoding="utf-8"))
    assert all(str(state) in str(data) for state in AlarmState)
    assert all(f"`{state}`" in GUIDE for state in AlarmState)


def test_every_sensor_status_is_in_the_guide() -> None:
    assert all(f"`{status}`" in GUIDE for status in SensorStatus)
