"""Settings: every fault at once with field, value and fix; secret files; the environment over the file."""

from pathlib import Path

import pytest

from monitor.engine.build import build_shop, known_reference
from monitor.model.errors import InputError
from monitor.settings.file import load
from monitor.settings.reference import config_folder

WEBHOOK_SECRET = "whsec_YSBzZWNyZXQgb2YgdGhlIHNob3AsIG1hZGUgdXA="
SMALL = """
[[sites]]
id = "yard"
name = "Ferrymoor Slipway"
[[zones]]
id = "slip-bay"
site = "yard"
name = "Slip Bay"
"""


def write(folder: Path, text: str) -> Path:
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return file


def faults_of(file: Path) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        load(file, None, known_reference())
    return {fault.field: f"{fault.value} {fault.fix}" for fault in caught.value.faults}


def test_the_ferrymoor_settings_load_and_make_a_shop() -> None:
    settings = load(config_folder() / "ferrymoor.toml", None, known_reference())
    assert (len(settings.sensors), len(settings.packages), len(settings.cylinders)) == (16, 40, 12)
    shop = build_shop(settings)
    assert len(shop.bodies) == 18


def test_the_commented_example_loads_once_its_secrets_are_there(tmp_path: Path) -> None:
    for name in ("broker-password", "broker-check-password", "mail-password"):
        (tmp_path / name).write_text("a secret of the shop, made up", encoding="utf-8")
    (tmp_path / "webhook-secret").write_text(WEBHOOK_SECRET, encoding="utf-8")
    settings = load(config_folder() / "shop.example.toml", tmp_path, known_reference())
    build_shop(settings)


def test_every_fault_is_named_at_once_with_value_and_fix(tmp_path: Path) -> None:
    text = SMALL + (
        '[mqtt]\nport = 70000\n[web]\ntemperature_unit = "R"\n[servce]\ntick_s = 1\n'
        '[[shifts]]\nsite = "yard"\nname = "early"\ndays = ["mon"]\nstart = 06:00:00\n'
    )
    faults = faults_of(write(tmp_path, text))
    assert "70000" in faults["mqtt.port"]
    assert "'R'" in faults["web.temperature_unit"]
    assert "is not a setting" in faults["servce"]
    assert "is needed" in faults["shifts[0].end"]


def test_a_setting_that_is_no_more_says_what_stands_for_it(tmp_path: Path) -> None:
    sensor = '[[sensors]]\nid = "bay-1"\nzone = "bay"\nshared_device = true\n'
    (place,) = [name for name in faults_of(write(tmp_path, SMALL + sensor)) if "shared_device" in name]
    assert "like those of two" in faults_of(write(tmp_path, SMALL + sensor))[place]


@pytest.mark.parametrize(
    ("section", "field", "said"),
    [
        (
            '[[plates]]\nid = "p"\nzone = "nowhere"\nname = "P"\nthickness_m = 0.01\n',
            "plates[0].zone",
            "slip-bay",
        ),
        (
            '[[packages]]\nid = "s"\nzone = "slip-bay"\nname = "S"\nconsumable = "no-such"\n'
            "opened_at = 2026-09-07T06:00:00Z\n",
            "packages[0].consumable",
            "e7018",
        ),
        (
            '[[people]]\nid = "lead"\nname = "Lead"\nchannels = ["pager"]\n',
            "people[0].channels[0]",
            "none is defined",
        ),
        ('[[zones]]\nid = "slip-bay"\nsite = "yard"\nname = "Again"\n', "zones", "used 2 times"),
        ('[[zones]]\nid = "b"\nsite = "yrd"\nname = "B"\n', "zones[1].site", "yard"),
    ],
)
def test_a_reference_to_nothing_is_a_fault(tmp_path: Path, section: str, field: str, said: str) -> None:
    assert said in faults_of(write(tmp_path, SMALL + section))[field]


def test_a_wrong_value_hides_no_wrong_name_elsewhere_and_is_told_once(tmp_path: Path) -> None:
    text = SMALL + (
        '[web]\nport = "x"\n'
        '[[sensors]]\nid = "bay-1"\nzone = "slip-bey"\n'
        '[[sensors.measures]]\nquantity = "air_temperature_c"\nunit = "Celsius"\n'
        '[[people]]\nid = "lead"\nname = "Lead"\nchannels = ["fone"]\n'
        '[[shifts]]\nsite = "yard"\nname = "e"\ndays = ["mon"]\nstart = "25:00"\nend = 14:00:00\n'
        '[[plates]]\nid = "Keel Plate"\nzone = "slip-bay"\nname = "K"\nthickness_m = 0.01\n'
    )
    faults = faults_of(write(tmp_path, text))
    assert set(faults) == {
        "web.port",
        "sensors[0].zone",
        "sensors[0].measures[0].unit",
        "people[0].channels[0]",
        "shifts[0].start",
        "plates[0].id",
    }
    assert "like 06:00:00" in faults["shifts[0].start"]
    assert "small letters, digits and hyphens" in faults["plates[0].id"]


def test_entries_that_contradict_themselves_are_faults(tmp_path: Path) -> None:
    text = SMALL + (
        '[[packages]]\nid = "s"\nzone = "slip-bay"\nname = "S"\nconsumable = "e7018"\n'
        "opened_at = 2026-09-07T06:00:00Z\nsealed_at = 2026-09-07T05:00:00Z\n"
        '[[channels]]\nid = "mail"\nkind = "email"\n'
    )
    faults = faults_of(write(tmp_path, text))
    assert "sealed_at is before opened_at" in faults["packages[0]"]
    assert "needs url, sender, to" in faults["channels[0]"]


def test_a_sensor_whose_one_lost_message_would_be_silence_is_a_fault(tmp_path: Path) -> None:
    sensor = """
[[sensors]]
id = "bay-1"
zone = "slip-bay"
interval_s = 300
stale_after_s = 400
measures = [{ quantity = "air_temperature_c", unit = "Cel" }]
"""
    found = faults_of(write(tmp_path, SMALL + sensor))
    assert "less than two intervals" in found["sensors[0]"]


@pytest.mark.parametrize(
    ("section", "field", "said"),
    [
        (
            '[[sensors]]\nid = "b"\nzone = "slip-bay"\n[[sensors.measures]]\n'
            'quantity = "relative_humidity_frac"\nunit = "%RH"\naccuracy = 2\n',
            "sensors[0].measures[0]",
            "write 0.02 for 2 %RH",
        ),
        ('[[channels]]\nid = "p"\nkind = "webhook"\nurl = "push.example.org"\n', "channels[0]", "https://"),
        ('[[weather]]\nsite = "yard"\nprovider = "crystal-ball"\n', "weather[0].provider", "names nothing"),
        ('[[weather]]\nsite = "yard"\nprovider = "us-nws"\n', "weather[0].provider", "latitude_deg"),
        ("[warning]\nnot_before = 06:00:00\nnot_after = 05:00:00\n", "warning", "in order"),
    ],
)
def test_what_would_silence_or_mislead_the_service_is_a_fault(
    tmp_path: Path, section: str, field: str, said: str
) -> None:
    assert said in faults_of(write(tmp_path, SMALL + section))[field]


def test_somebody_on_call_whom_nothing_reaches_is_a_fault(tmp_path: Path) -> None:
    people = """
[[people]]
id = "ann"
name = "Ann"
[[on_call]]
site = "yard"
steps = ["ann"]
"""
    found = faults_of(write(tmp_path, SMALL + people))
    assert "has no channels" in found["on_call[0].steps[0]"]


def test_two_people_whom_one_name_means_are_a_fault(tmp_path: Path) -> None:
    people = [("ann", "Ann Berg"), ("ben", "ann  BERG"), ("cleo", "Ben"), ("dora", "Dora")]
    text = "".join(f'[[people]]\nid = "{one}"\nname = "{name}"\n' for one, name in people)
    faults = faults_of(write(tmp_path, SMALL + text))
    assert faults == {
        "people[1].name": "'ann  BERG' also means ann; give each of them a name of their own",
        "people[2].name": "'Ben' also means ben; give each of them a name of their own",
    }


@pytest.mark.parametrize("key", ["", "short", "x" * 31])
def test_an_empty_or_short_key_is_a_fault_and_not_printed(tmp_path: Path, key: str) -> None:
    text = f'[service]\nsecret_key = "{key}"\n{SMALL}[[programs]]\nid = "board"\ntoken = "{key}"\n'
    faults = faults_of(write(tmp_path, text))
    assert set(faults) == {"service.secret_key", "programs[0].token"}
    for said in faults.values():
        assert said.startswith("a secret ")
        assert "at least 32" in said


def test_a_webhook_secret_of_another_kind_is_a_fault_that_says_how_one_is_made_and_not_what_it_was(
    tmp_path: Path,
) -> None:
    text = SMALL + (
        '[[channels]]\nid = "hook"\nkind = "webhook"\nurl = "https://hook.example/"\n'
        'secret = "tell nobody this long secret"\n'
    )
    said = faults_of(write(tmp_path, text))["channels[0].secret"]
    assert "openssl rand -base64 32" in said
    assert "tell nobody" not in said


def test_a_naive_time_is_a_fault(tmp_path: Path) -> None:
    text = SMALL + (
        '[[packages]]\nid = "s"\nzone = "slip-bay"\nname = "S"\nconsumable = "e7018"\n'
        "opened_at = 2026-09-07T06:00:00\n"
    )
    assert "timezone" in faults_of(write(tmp_path, text))["packages[0].opened_at"]


@pytest.mark.parametrize("text", ["", "not toml at all [", "[[sites]]\n"])
def test_a_file_that_says_nothing_useful_is_a_clear_error(tmp_path: Path, text: str) -> None:
    assert faults_of(write(tmp_path, text))


def test_a_missing_file_is_a_clear_error(tmp_path: Path) -> None:
    assert "no such file" in faults_of(tmp_path / "none.toml")["settings file"]


def test_a_secret_comes_from_its_file_and_never_shows(tmp_path: Path) -> None:
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "broker").write_text("hush\n", encoding="utf-8")
    settings = load(write(tmp_path, SMALL + '[mqtt]\npassword = "@broker"\n'))
    assert settings.mqtt.password is not None
    assert settings.mqtt.password.get_secret_value() == "hush"
    assert "hush" not in repr(settings)


def test_a_secret_handed_over_by_the_init_system_is_found_by_its_name(tmp_path: Path) -> None:
    """systemd.exec(5), LoadCredential= with a folder: `secrets_NAME` in $CREDENTIALS_DIRECTORY."""
    handed = tmp_path / "handed"
    handed.mkdir()
    (handed / "secrets_broker").write_text("hush\n", encoding="utf-8")
    settings = load(write(tmp_path, SMALL + '[mqtt]\npassword = "@broker"\n'), handed)
    assert settings.mqtt.password is not None
    assert settings.mqtt.password.get_secret_value() == "hush"


def test_an_empty_secret_file_is_a_fault(tmp_path: Path) -> None:
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "broker").write_text("\n", encoding="utf-8")
    assert "is empty" in faults_of(write(tmp_path, SMALL + '[mqtt]\npassword = "@broker"\n'))["mqtt.password"]


def test_a_missing_secret_file_is_a_fault_that_does_not_hide_the_others(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, SMALL + '[mqtt]\nport = -1\npassword = "@broker"\n'))
    assert "cannot be read" in faults["mqtt.password"]
    assert "--secrets" in faults["mqtt.password"]
    assert "mqtt.port" in faults


def test_a_faulty_secret_is_not_printed(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, SMALL + "[mqtt]\npassword = 12345\n"))
    assert "12345" not in faults["mqtt.password"]


def test_the_environment_overrides_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRYSHIFT_MQTT__HOST", "broker.example")
    monkeypatch.setenv("DRYSHIFT_SERVICE__TICK_S", "5")
    settings = load(write(tmp_path, SMALL + '[mqtt]\nhost = "127.0.0.1"\nport = 1884\n'))
    assert (settings.mqtt.host, settings.mqtt.port, settings.service.tick_s) == ("broker.example", 1884, 5.0)


def test_a_relative_data_folder_lies_beside_the_file(tmp_path: Path) -> None:
    settings = load(write(tmp_path, SMALL))
    assert settings.service.data_dir == tmp_path / "var"
