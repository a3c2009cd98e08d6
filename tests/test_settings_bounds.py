"""Settings that nobody can mean are faults with field, value and fix; what looks odd is only told.

The bounds are engineering limits; trade figures among them carry their provenance in `settings_bounds`.
"""

from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli.check_commands import check_command
from monitor.engine.build import known_reference
from monitor.model.errors import InputError
from monitor.settings.bounds import BOUNDS
from monitor.settings.file import load
from monitor.settings.reference import config_folder

SITE = '[[sites]]\nid = "yard"\nname = "Ferrymoor Slipway"\n'
PLACE = SITE + 'timezone = "Europe/London"\n'
BAY = '[[zones]]\nid = "slip-bay"\nsite = "yard"\nname = "Slip Bay"\n'
OVEN = '[[zones]]\nid = "rod-oven"\nsite = "yard"\nname = "Rod oven"\nkind = "oven"\n'
SENSOR = '[[sensors]]\nid = "bay-1"\nzone = "slip-bay"\n'
WARM = '[[sensors.measures]]\nquantity = "air_temperature_c"\nunit = "Cel"\n'
DAMP = '[[sensors.measures]]\nquantity = "relative_humidity_frac"\nunit = "%RH"\n'
LEAD = '[[people]]\nid = "lead"\nname = "Lead"\n'
SHIFT = '[[shifts]]\nsite = "yard"\nname = "early"\ndays = ["mon"]\n'

IMPOSSIBLE = [  # settings, field, a word of the fix
    ("[service]\ntick_s = 1e6\n", "service.tick_s", "300"),
    ("[service]\nderived_every_s = 1e9\n", "service.derived_every_s", "3600"),
    ("[service]\ncheckpoint_s = 1e9\n", "service.checkpoint_s", "86400"),
    ("[service]\nheartbeat_every_s = 1e9\n", "service.heartbeat_every_s", "86400"),
    ("[service]\ntick_s = nan\n", "service.tick_s", ""),
    ("[mqtt]\nfuture_tolerance_s = 1e9\n", "mqtt.future_tolerance_s", "clock"),
    ("[mqtt]\nmax_age_s = 1e12\n", "mqtt.max_age_s", "2592000"),
    ("[limits]\nhumidity_caution_frac = 0.99\n", "limits.humidity_caution_frac", "fraction"),
    ("[limits]\nhumidity_caution_frac = 70\n", "limits.humidity_caution_frac", "less than or equal to 1"),
    ("[limits]\non_delay_s = 1e9\n", "limits.on_delay_s", "14400"),
    ("[limits]\noff_delay_s = 1e9\n", "limits.off_delay_s", "14400"),
    ("[limits]\nmargin_caution_k = -3\n", "limits.margin_caution_k", "greater than 0"),
    ("[limits]\ncheck_speaks_s = 1e9\n", "limits.check_speaks_s", "by hand"),
    ("[warning]\nprobability = 0.99\n", "warning.probability", "0.9"),
    ("[warning]\nmin_lead_s = 172800\nhorizon_s = 86400\n", "warning.min_lead_s", "no shift would ever"),
    ("[warning]\nhorizon_s = 1e9\n", "warning.horizon_s", "two days"),
    ("[warning]\nlook_every_s = 1e9\n", "warning.look_every_s", "3600"),
    (
        BAY.replace("slip-bay", "b") + "max_relative_humidity_frac = 1.0\n",
        "zones[1].max_relative_humidity_frac",
        "leave",
    ),
    (BAY.replace("slip-bay", "b") + "dry_down_to_frac = 1.0\n", "zones[1].dry_down_to_frac", "fraction"),
    (BAY.replace("slip-bay", "b") + "desiccant_days = 3000\n", "zones[1].desiccant_days", "month"),
    (
        BAY.replace("slip-bay", "b") + 'kind = "outdoor"\nmax_relative_humidity_frac = 0.7\n',
        "zones[1].max_relative_humidity_frac",
        "never judged",
    ),
    (
        BAY.replace("slip-bay", "b") + 'kind = "outdoor"\nheat_up_to_c = 20\n',
        "zones[1].heat_up_to_c",
        "correct its kind",
    ),
    (OVEN + "min_temperature_c = 12\n", "zones[1].min_temperature_c", "120 or more"),
    (
        OVEN + "min_temperature_c = 120\n" + SENSOR.replace("slip-bay", "rod-oven") + WARM + "max = 100\n",
        "sensors[0].measures[0].max",
        "never be believed hot",
    ),
    (SENSOR + "stale_after_s = 1e9\n" + WARM, "sensors[0].stale_after_s", "silence"),
    (SENSOR + "interval_s = 1e6\nstale_after_s = 1e9\n" + WARM, "sensors[0].interval_s", "30 is usual"),
    (SENSOR + "stuck_after_s = 1e9\n" + WARM, "sensors[0].stuck_after_s", "86400"),
    (SENSOR + "calibration_days = 100000\n" + WARM, "sensors[0].calibration_days", "365"),
    (
        "[service]\ntick_s = 120\n" + SENSOR + "stale_after_s = 90\n" + WARM,
        "sensors[0].stale_after_s",
        "tick_s",
    ),
    (SENSOR + DAMP + "offset = -0.5\n", "sensors[0].measures[0].offset", "0.005 for 0.5 %RH"),
    (SENSOR + WARM + "offset = 40\n", "sensors[0].measures[0].offset", "replaced"),
    (SENSOR + WARM + "offset = nan\n", "sensors[0].measures[0].offset", "no number"),
    (SENSOR + WARM + "gain = 10\n", "sensors[0].measures[0].gain", "replaced"),
    (SENSOR + DAMP + "max = 100\n", "sensors[0].measures[0].max", "1.0 is 100 %RH"),
    (SENSOR + WARM + "min = 40\nmax = 10\n", "sensors[0].measures[0].min", "not below max"),
    (LEAD + "quiet_from = 00:00:00\nquiet_to = 00:00:00\n", "people[0].quiet_to", "24 h"),
    (LEAD + "quiet_from = 07:00:00\nquiet_to = 06:00:00\n", "people[0].quiet_to", "23 h"),
    (LEAD + "quiet_from = 22:00:00\n", "people[0].quiet_to", "both"),
    (SHIFT + "start = 06:00:00\nend = 06:00:00\n", "shifts[0].end", "24 h"),
    (
        LEAD + '[[on_call]]\nsite = "yard"\nsteps = ["lead"]\nescalate_after_s = 1e9\n',
        "on_call[0].escalate_after_s",
        "14400",
    ),
    (
        '[[channels]]\nid = "hook"\nkind = "webhook"\nurl = "http://127.0.0.1/"\ntimeout_s = 1e9\n',
        "channels[0].timeout_s",
        "600",
    ),
    ('[[weather]]\nsite = "yard"\nevery_s = 1e9\n', "weather[0].every_s", "3600"),
    (
        '[[plates]]\nid = "p"\nzone = "slip-bay"\nname = "P"\nthickness_m = 0.9\n',
        "plates[0].thickness_m",
        "12 mm",
    ),
    (
        '[[plates]]\nid = "p"\nzone = "slip-bay"\nname = "P"\nthickness_m = 0.01\nstacked = 90000\n',
        "plates[0].stacked",
        "200",
    ),
    (
        '[[cylinders]]\nid = "c"\nzone = "slip-bay"\nname = "C"\nsteel_kg = 1e6\n',
        "cylinders[0].steel_kg",
        "500",
    ),
    ('[[cylinders]]\nid = "c"\nzone = "slip-bay"\nname = "C"\ngas_kg = 1e6\n', "cylinders[0].gas_kg", "200"),
    (
        '[store]\nseries = "influxdb"\n[store.influxdb]\nurl = "http://127.0.0.1:1"\ntimeout_s = 1e9\n',
        "store.influxdb.timeout_s",
        "600",
    ),
]


def faults_of(folder: Path, text: str) -> dict[str, str]:
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load(file, None, known_reference())
    return {fault.field: f"{fault.value} {fault.fix}" for fault in caught.value.faults}


@pytest.mark.parametrize(("text", "field", "words"), IMPOSSIBLE, ids=lambda value: None)
def test_a_setting_that_nobody_can_mean_is_a_fault_with_its_fix(
    tmp_path: Path, text: str, field: str, words: str
) -> None:
    assert words in faults_of(tmp_path, PLACE + BAY + text)[field]


def test_every_bound_is_tried_by_the_table() -> None:
    tried = {"".join(part for part in field if not part.isdigit()) for _, field, _ in IMPOSSIBLE}
    assert set(BOUNDS) <= tried


@pytest.mark.parametrize(
    ("zone", "where", "field"),
    [
        ("Europe/London", "latitude_deg = -51.7\nlongitude_deg = -2.5\n", "sites[0].latitude_deg"),
        ("Australia/Sydney", "latitude_deg = 33.9\nlongitude_deg = 151.2\n", "sites[0].latitude_deg"),
        ("Australia/Sydney", "latitude_deg = -33.9\nlongitude_deg = -151.2\n", "sites[0].longitude_deg"),
        ("America/New_York", "latitude_deg = 40.7\nlongitude_deg = 74.0\n", "sites[0].longitude_deg"),
    ],
)
def test_a_site_that_lies_elsewhere_than_its_clock_is_a_fault(
    tmp_path: Path, zone: str, where: str, field: str
) -> None:
    text = SITE + f'timezone = "{zone}"\n{where}' + BAY
    assert set(faults_of(tmp_path, text)) == {field}


@pytest.mark.parametrize(
    ("zone", "latitude", "longitude"),
    # towns and their IANA zones (zone1970.tab of the time zone database), at the edges of wide zones too
    [
        ("Europe/London", 51.7, -2.5),
        ("Europe/Dublin", 53.3, -6.2),
        ("Europe/Madrid", 42.2, -8.7),
        ("Australia/Sydney", -33.9, 151.2),
        ("America/Santiago", -33.5, -70.7),
        ("Asia/Shanghai", 39.5, 76.0),
        ("Asia/Singapore", 1.3, 103.8),
        ("Africa/Casablanca", 33.6, -7.6),
        ("Pacific/Auckland", -43.5, 172.6),
        ("Pacific/Kiritimati", 1.9, -157.4),
        ("America/Anchorage", 61.2, -149.9),
    ],
)
def test_a_site_that_lies_where_its_clock_is_stands(
    tmp_path: Path, zone: str, latitude: float, longitude: float
) -> None:
    file = tmp_path / "shop.toml"
    where = f"latitude_deg = {latitude}\nlongitude_deg = {longitude}\n"
    file.write_text(SITE + f'timezone = "{zone}"\n{where}' + BAY, encoding="utf-8")
    assert load(file, None, known_reference()).sites[0].latitude_deg == latitude


def test_a_bay_that_is_called_outdoor_looks_odd_and_is_told(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(PLACE + BAY + 'kind = "outdoor"\n', encoding="utf-8")
    said = CliRunner().invoke(check_command, [str(file)])
    assert said.exit_code == 0
    assert "looks odd: zones[0].kind: outdoor, of a zone called 'Slip Bay'" in said.output


def test_nothing_of_the_invented_yard_looks_odd_but_that_a_demo_believes_names() -> None:
    said = CliRunner().invoke(check_command, [str(config_folder() / "ferrymoor.toml")])
    assert said.exit_code == 0
    odd = [line.strip() for line in said.output.splitlines() if "looks odd" in line]
    assert len(odd) == 1
    assert odd[0].startswith('looks odd: web.log_in: "names"')
