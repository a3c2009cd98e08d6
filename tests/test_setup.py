"""The first set-up as a lead meets it: questions of the trade in, settings out, nothing overwritten."""

import json
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from monitor.cli.main import main
from monitor.cli.setup_questions import QUESTIONS
from monitor.engine.build import known_reference
from monitor.settings.file import load
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from tests.receivers import web_receiver

ANSWERS: dict[str, Any] = {
    "name": "Ferrymoor Slipway",
    "timezone": "Europe/London",
    "code": "D1.8",
    "seismic": True,
    "welded_with": ["cored wire", "low-hydrogen rods"],
    "places": ["Slip Bay: bay", "Wire Store: store", "Gas Cage: cage", "Plate Yard: yard"],
    "oven": "Rod Oven",
    "steel": ["Slip Bay: 12 mm", "Plate Yard: 0.5 in"],
    "gas": ["Gas Cage: argon-co2"],
    "shifts": ["early: mon-fri 06:00-14:00", "night: fri-mon 22:00-6:00"],
    "people": ["Ann Ferrymoor: push json://127.0.0.1:9/", "Ben Äder: mail ben@example.org"],
    "mail_server": "smtp://mail.example.org:587",
    "mail_from": "dryshift@example.org",
    "mail_user": "dryshift",
    "mail_password": "only for tests",
    "forecast": "51.7, -2.5",
    "broker": "embedded",
    "address": "http://192.0.2.20:8480",
}


def toml(answers: dict[str, Any]) -> str:
    return "".join(f"{name} = {json.dumps(value)}\n" for name, value in answers.items())


def setup(folder: Path, answers: dict[str, Any], *more: str) -> Result:
    file = folder / "answers.toml"
    file.write_text(toml(answers), encoding="utf-8")
    words = [
        "setup",
        str(folder / "etc"),
        "--answers",
        str(file),
        "--data",
        str(folder / "data"),
        "--no-start",
    ]
    return CliRunner().invoke(main, [*words, "--broker-files", str(folder / "broker"), *more])


def settings(folder: Path) -> Settings:
    return load(folder / "etc" / "shop.toml", None, known_reference())


def test_the_answers_of_a_lead_become_settings_that_are_in_order(tmp_path: Path) -> None:
    done = setup(tmp_path, ANSWERS)
    assert done.exit_code == 0, done.output
    shop = settings(tmp_path)
    assert [(zone.id, zone.kind) for zone in shop.zones] == [
        ("slip-bay", "bay"),
        ("wire-store", "store"),
        ("gas-cage", "cage"),
        ("plate-yard", "yard"),
        ("rod-oven", "oven"),
    ]
    assert {sensor.zone for sensor in shop.sensors} == {zone.id for zone in shop.zones}
    least = load_toml("consumables.toml")["care"]["low-hydrogen-electrode"]["oven_min"]["value"]
    assert shop.zones[-1].min_temperature_c == least
    assert [round(plate.thickness_m, 4) for plate in shop.plates] == [0.012, 0.0127]
    assert (shop.cylinders[0].zone, shop.cylinders[0].gas) == ("gas-cage", "argon-co2")
    night = shop.shifts[1]
    assert (night.days, night.start.hour, night.end.hour) == (("fri", "sat", "sun", "mon"), 22, 6)
    assert shop.on_call[0].steps == ("ann-ferrymoor", "ben-aeder")
    assert shop.limits.seismic_work
    assert (shop.web.host, shop.web.port, shop.web.public_url) == ("0.0.0.0", 8480, "http://192.0.2.20:8480")
    assert shop.channels[1].password is not None
    assert shop.channels[1].password.get_secret_value() == "only for tests"
    assert shop.weather[0].contact == "dryshift@example.org"
    check = CliRunner().invoke(main, ["check", str(tmp_path / "etc" / "shop.toml")])
    assert check.exit_code == 0, check.output


def test_no_secret_stands_in_the_settings_and_nobody_else_reads_one(tmp_path: Path) -> None:
    setup(tmp_path, ANSWERS)
    folder = tmp_path / "etc" / "secrets"
    text = (tmp_path / "etc" / "shop.toml").read_text(encoding="utf-8")
    for file in folder.iterdir():
        assert file.read_text(encoding="utf-8").strip() not in text
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {file.name for file in folder.iterdir()} == {
        "broker-password",
        "ann-ferrymoor-push",
        "mail-password",
    }


def test_it_prints_what_the_phone_opens_with_its_code(tmp_path: Path) -> None:
    said = setup(tmp_path, ANSWERS).output
    assert "Open on the phone: http://192.0.2.20:8480" in said
    assert "▄▄▄▄▄" in said


def test_settings_that_are_there_are_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "shop.toml").write_text("# mine\n", encoding="utf-8")
    done = setup(tmp_path, ANSWERS)
    assert done.exit_code == 2
    assert "is there and stays as it is" in done.output
    assert (tmp_path / "etc" / "shop.toml").read_text(encoding="utf-8") == "# mine\n"


@pytest.mark.parametrize(
    ("name", "wrong", "said"),
    [
        ("name", "??", "no letters"),
        ("timezone", "Mars/Base", "no time zone"),
        ("code", "D9", "is none of"),
        ("welded_with", ["glue"], "is none of"),
        ("places", ["Slip Bay: garage"], "is none of"),
        ("places", [], "is needed"),
        ("places", ["Slip Bay: bay", "slip bay: hall"], "name it otherwise"),
        ("steel", ["Slip Bay: thick"], "thickness"),
        ("steel", ["Slip Bay: 12000 mm"], "is no plate"),
        ("steel", ["Moon: 12 mm"], "none of the places"),
        ("gas", ["Gas Cage: air"], "is none of"),
        ("shifts", ["early: mon-fry 06:00-14:00"], "is none of"),
        ("shifts", ["early: mon-fri 25:00-14:00"], "no time of day"),
        ("shifts", [], "is needed"),
        ("people", ["Ann: phone 123"], "write it like"),
        ("people", ["Ann: mail ann"], "no mail address"),
        ("people", ["Ann: mail a@b.org", "ann: mail c@d.org"], "named twice"),
        ("mail_server", "mail.example.org", "smtp://"),
        ("forecast", "here", "latitude"),
        ("broker", "pigeons", "is none of"),
        ("address", "phone me", "write it like"),
        ("shoe_size", 45, "answers no question"),
    ],
)
def test_every_wrong_answer_is_named_with_what_is_right_and_nothing_is_written(
    tmp_path: Path, name: str, wrong: Any, said: str
) -> None:
    done = setup(tmp_path, {**ANSWERS, name: wrong})
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert name in done.output or "settings" in done.output
    assert not (tmp_path / "etc").exists()


def test_all_wrong_answers_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    done = setup(tmp_path, {**ANSWERS, "timezone": "x", "broker": "y", "steel": ["z"]})
    assert all(f"{name}" in done.output for name in ("timezone", "broker", "steel[0]"))


def test_at_a_terminal_a_wrong_answer_is_told_and_asked_again(tmp_path: Path) -> None:
    lines = [
        "Ferrymoor Slipway",
        "Mars/Base",  # asked again
        "Europe/London",
        "en",
        "F",
        "other",
        "glue",  # asked again
        "cored wire",
        "",
        "",  # a place is needed: asked again
        "Slip Bay: bay",
        "",
        "",
        "",
        "early: mon-fri 06:00-14:00",
        "",
        "Ann: push json://127.0.0.1:9/",
        "",
        "embedded",
        "http://192.0.2.20:8480",
    ]
    words = ["setup", str(tmp_path / "etc"), "--data", str(tmp_path / "data"), "--no-start"]
    done = CliRunner().invoke(main, words, input="\n".join(lines) + "\n")
    assert done.exit_code == 0, done.output
    assert "no time zone" in done.output
    assert "is none of" in done.output
    shop = settings(tmp_path)
    assert (shop.web.temperature_unit, shop.web.units) == ("F", "us")
    assert not shop.limits.seismic_work
    assert len(shop.zones) == 1


def test_answers_that_do_not_fit_each_other_are_asked_again_and_no_other(tmp_path: Path) -> None:
    lines = ["Ferrymoor Slipway", "Europe/London", "en", "C", "other", "low-hydrogen rods", ""]
    lines += ["Slip Bay: bay", "", "no", "", "Gas Cage: co2", ""]  # no place is called Gas Cage
    lines += ["early: mon-fri 06:00-05:00", "", "Ann: push json://127.0.0.1:9/", "", "embedded"]
    lines += ["http://192.0.2.20:8480"]
    again = ["Slip Bay: co2", "", "early: mon-fri 06:00-14:00", ""]
    words = ["setup", str(tmp_path / "etc"), "--data", str(tmp_path / "data"), "--no-start"]
    done = CliRunner().invoke(main, words, input="\n".join([*lines, *again]) + "\n")
    assert done.exit_code == 0, done.output
    assert "is none of the places" in done.output
    assert "16 h" in done.output
    shop = settings(tmp_path)
    assert (shop.cylinders[0].zone, shop.shifts[0].end.hour, len(shop.zones)) == ("slip-bay", 14, 1)


def test_who_gives_up_half_way_has_nothing_written(tmp_path: Path) -> None:
    words = ["setup", str(tmp_path / "etc"), "--data", str(tmp_path / "data"), "--no-start"]
    done = CliRunner().invoke(main, words, input="Ferrymoor Slipway\nEurope/London\n")
    assert done.exit_code == 1
    assert not (tmp_path / "etc").exists()


def test_the_brokers_files_and_certificate_are_made_with_it(tmp_path: Path) -> None:
    done = setup(tmp_path, {**ANSWERS, "broker": "mosquitto"})
    assert done.exit_code == 0, done.output
    assert {"passwords", "access", "ca.crt", "server.crt", "server.key"} <= {
        file.name for file in (tmp_path / "broker").iterdir()
    }
    shop = settings(tmp_path)
    assert shop.mqtt.sensors_dial == "192.0.2.20"
    assert shop.mqtt.ca_file is not None
    assert shop.mqtt.ca_file.read_bytes() == (tmp_path / "broker" / "ca.crt").read_bytes()
    listed = CliRunner().invoke(main, ["enrol", "list", str(tmp_path / "etc" / "shop.toml")]).output
    assert "dryshift: " in listed
    assert "slip-bay-1: not enrolled" in listed


def test_it_ends_with_a_test_message_on_the_phone(tmp_path: Path) -> None:
    with web_receiver() as phone:
        answers = {**ANSWERS, "people": [f"Ann: web {phone.url}"]}
        file = tmp_path / "answers.toml"
        file.write_text(
            toml({k: v for k, v in answers.items() if not k.startswith("mail")}), encoding="utf-8"
        )
        words = ["setup", str(tmp_path / "etc"), "--answers", str(file), "--data", str(tmp_path / "data")]
        done = CliRunner().invoke(main, words, env={"PATH": os.environ["PATH"]})
        assert done.exit_code == 0, done.output
        phone.wait_for(1)
    assert "ann-phone: delivered" in done.output


def test_every_question_is_a_setting_people_know_by_name() -> None:
    documented = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    assert set(ANSWERS) | {"language", "temperature"} == set(QUESTIONS)
    assert "dryshift setup" in documented
    assert tomllib.loads(toml(ANSWERS))["name"] == "Ferrymoor Slipway"
