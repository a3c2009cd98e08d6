"""Slips of the hand in a settings file are named by line, with what is wrong and how it is written right."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.settings.toml_slips import read_toml
from tests.test_settings import SMALL, faults_of, write

SHIFT = '[[shifts]]\nsite = "yard"\n'
PACKAGE = '[[packages]]\nid = "wire-1"\nname = "W"\nzone = "slip-bay"\nopened_at = 2026-09-07T06:00:00Z\n'

SLIPS = {
    "a decimal comma": ("[limits]\nmargin_caution_k = 3,5\n", 2, "write 3.5, with a point"),
    "a quote missing at the end": (SHIFT + 'name = "Early\n', 3, "quote at one end only"),
    "a quote missing at the start": (SHIFT + 'name = Early"\n', 3, "quote at one end only"),
    "no quotes": (SHIFT + "name = Early Birds\n", 3, 'needs quotes around its text: "Early Birds"'),
    "curly quotes": (SHIFT + "name = “Early”\n", 3, "curly quotes"),
    "a time without seconds": (SHIFT + "start = 06:00\n", 3, "write 06:00:00"),
    "a time of one digit": (SHIFT + "start = 6:30\n", 3, "write 06:30:00"),
    "a time with its word": (SHIFT + "start = 6:30 Uhr # early\n", 3, "write 06:30:00"),
    "a date the other way round": ("[x]\nopened_on = 07.09.2026\n", 2, "write 2026-09-07"),
    "a date with one digit": ("[x]\nopened_on = 2026-9-7\n", 2, "write 2026-09-07"),
    "a moment written short": ("[x]\nopened_at = 2026-09-07 6:15\n", 2, "2026-09-07T06:15:00+01:00"),
    "a number with its unit": ("[limits]\non_delay_s = 30 s\n", 2, "the number alone, without s"),
    "a percent sign": ("[limits]\nhumidity_caution_frac = 70%\n", 2, "the number alone, without %"),
    "a truth in capitals": ("[x]\nstarttls = True\n", 2, "true or false, in small letters"),
    "a truth in words": ("[x]\nstarttls = yes\n", 2, "true or false, in small letters"),
    "a list without quotes": (SHIFT + "days = [mon, tue]\n", 3, '["mon", "tue"]'),
    "a list that is not closed": (SHIFT + 'days = ["mon"\nname = "E"\n', 4, "still open; close that"),
    "no equals sign": ('[service]\ndata_dir "x"\n', 2, "needs an equals sign"),
    "no value": ("[service]\ntick_s =\n", 2, "has no value"),
    "a heading cut short": ("[service\ntick_s = 5\n", 1, "write [service] for a table"),
    "one bracket where there are several": ('[zones]\nid = "x"\n', 1, "write [[zones]] above each"),
    "a setting twice": ("[service]\ntick_s = 5\ntick_s = 6\n", 3, "set twice"),
    "a path with backslashes": ('[service]\ndata_dir = "C:\\data"\n', 2, "write / instead"),
}
LINES_BEFORE = SMALL.count("\n")


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_named_by_its_line_with_what_to_write(tmp_path: Path, slip: str) -> None:
    text, line, words = SLIPS[slip]
    result = CliRunner().invoke(main, ["check", str(write(tmp_path, SMALL + text))])
    assert result.exit_code == 1
    first = result.stderr.splitlines()[0]
    assert first.startswith(f"  line {LINES_BEFORE + line}: found {text.splitlines()[line - 1].strip()}; ")
    assert words in first
    for parsers_own in ("document", "statement", "Illegal", "Expected", "Invalid"):
        assert parsers_own not in first


def test_several_slips_are_named_in_one_go() -> None:
    text = SHIFT + 'name = "Early\nstart = 6:00\nend = 14:00\nx = 3,5\n'
    assert [fault.field for fault in read_toml(text).faults] == ["line 3", "line 4", "line 5", "line 6"]


def test_a_secret_on_a_line_with_a_slip_is_not_shown() -> None:
    (fault,) = read_toml('[mqtt]\npassword = "hunter\n').faults
    assert "hunter" not in str(fault)


def test_what_is_right_is_read_as_it_is() -> None:
    text = 'a = 1.5\nb = "x"\nc = 06:00:00\nd = [1, 5]\ne = """\nx, y\n"""\n'
    read = read_toml(text)
    assert (read.tree["a"], read.tree["d"], read.faults) == (1.5, [1, 5], ())


@pytest.mark.parametrize(
    ("wrong", "near"),
    [("fcaw", "fcaw-folded"), ("E7018", "e7018"), ("smaw-e7018", "e7018"), ("e70-18", "e7018")],
)
def test_a_wrong_class_lists_the_classes_near_it_and_all(tmp_path: Path, wrong: str, near: str) -> None:
    said = faults_of(write(tmp_path, f'{SMALL}{PACKAGE}consumable = "{wrong}"\n'))["packages[0].consumable"]
    assert f"near it: {near}" in said
    assert "fcaw-seamless-h4" in said.partition("use one of:")[2]


def test_a_wrong_class_that_is_near_to_none_lists_them_all(tmp_path: Path) -> None:
    said = faults_of(write(tmp_path, f'{SMALL}{PACKAGE}consumable = "E71T-1C"\n'))["packages[0].consumable"]
    assert "near it" not in said
    assert "fcaw-folded" in said


@pytest.mark.parametrize(
    ("table", "field", "percent", "share"),
    [
        ("[limits]\nhumidity_caution_frac = {}\n", "limits.humidity_caution_frac", "70", "0.7"),
        ("[warning]\nprobability = {}\n", "warning.probability", "30", "0.3"),
        ("max_relative_humidity_frac = {}\n", "zones[0].max_relative_humidity_frac", "85", "0.85"),
        ("max_relative_humidity_frac = {}\n", "zones[0].max_relative_humidity_frac", "85.5", "0.855"),
    ],
)
def test_percent_where_a_share_belongs_is_shown_as_the_share(
    tmp_path: Path, table: str, field: str, percent: str, share: str
) -> None:
    said = faults_of(write(tmp_path, SMALL + table.format(percent)))[field]
    assert f"{percent} % is written {share}" in said


def test_a_decimal_comma_in_quotes_is_named_too(tmp_path: Path) -> None:
    said = faults_of(write(tmp_path, SMALL + '[limits]\nmargin_caution_k = "3,5"\n'))[
        "limits.margin_caution_k"
    ]
    assert "write 3.5, with a point and without quotes" in said
