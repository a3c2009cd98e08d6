"""The command line as a person meets it: help, exit codes, faults on standard error."""

import json
import logging
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from monitor.cli.demo_command import DEMO_START, message_lines
from monitor.cli.few_lines import JournalLines
from monitor.cli.main import COMMANDS as MODULES
from monitor.cli.main import main
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.ports import free_port
from tests.receivers import web_receiver
from tests.test_settings import SMALL, write
from tests.web.printed import read_back

COMMANDS = tuple(main.commands)


def run(*arguments: str, stdin: str | bytes | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=stdin)


def test_help_names_every_command_and_defers_to_the_code() -> None:
    text = run("--help").output
    assert all(name in text for name in COMMANDS)
    assert "governing code" in " ".join(text.split())


def test_the_manual_page_names_every_command_and_option_and_troff_finds_no_fault_with_it() -> None:
    # Source: `mandoc -T lint` or `groff -ww` of Debian, where one of them is installed.
    text = run("manual").output
    for name in COMMANDS:
        assert f"\\fB{name.replace('-', chr(92) + '-')}\\fR" in text, name
    for said in ("\\-\\-secrets", "bash_source", "EXIT STATUS", "governing code"):
        assert said in text, said
    assert all(line for line in text.splitlines())
    if (mandoc := shutil.which("mandoc")) is not None:
        lint = [mandoc, "-T", "lint", "-W", "warning"]
        checked = subprocess.run(lint, input=text, capture_output=True, text=True)
        assert (checked.returncode, checked.stdout) == (0, "")
    if (groff := shutil.which("groff")) is None:
        pytest.skip("groff is not installed (apt: groff-base)")
    shown = subprocess.run([groff, "-man", "-Tutf8", "-ww"], input=text, capture_output=True, text=True)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "dryshift" in shown.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_there_for_a_shell_and_as_the_readme_says(shell: str) -> None:
    made = subprocess.run(
        [Path(sys.executable).with_name("dryshift")],
        env={**os.environ, "_DRYSHIFT_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
    )
    assert "_DRYSHIFT_COMPLETE" in made.stdout
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    assert f"{shell}_source" in readme
    assert f"{shell}_source" in run("manual").output


def test_lines_for_the_journal_carry_its_priorities(tmp_path: Path) -> None:
    # sd-daemon(3): "<4>" at the start of a line is a warning
    lines = JournalLines("%(name)s: %(message)s")
    record = logging.LogRecord("monitor.x", logging.WARNING, "x", 1, "first\nsecond", None, None)
    assert lines.format(record) == "<4>monitor.x: first\n<4>second"
    for level, number in ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.INFO, 6), (logging.DEBUG, 7)):
        record.levelno = level
        assert lines.format(record).startswith(f"<{number}>")
    asked = "import logging\nfrom monitor.cli.few_lines import log_to_stderr\n"
    asked += "log_to_stderr(30)\nlogging.error('x')"
    for journal, begins in ((True, "<3>"), (False, "ERROR")):
        with (tmp_path / "err").open("w+") as err:
            found = os.fstat(err.fileno())
            named = f"{found.st_dev}:{found.st_ino}" if journal else "1:1"
            env = {**os.environ, "JOURNAL_STREAM": named}
            subprocess.run([sys.executable, "-c", asked], stderr=err, env=env, check=True)
            err.seek(0)
            assert err.read().startswith(begins)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_in_a_whole_sentence(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    loaded = main.get_command(click.Context(main), name)
    assert loaded is not None
    assert loaded.name == name
    for one in (loaded, main.commands[name]):
        assert str(one.help).strip().endswith((".", ")"))


def test_help_loads_none_of_the_commands_and_a_command_only_its_own() -> None:
    """Measured before: 1.75 s of processor for --help, since everything was imported."""
    asked = "import sys; from monitor.cli.main import main; main({}, standalone_mode=0); print(*sys.modules)"
    said = subprocess.run(
        [sys.executable, "-c", asked.format(["--help"])], capture_output=True, text=True, check=True
    ).stdout.split()
    heavy = {"numpy", "scipy", "fastapi", "sqlalchemy", "pydantic", "influxdb_client", "paho", "apscheduler"}
    assert not heavy & set(said)
    assert not {f"monitor.cli.{module}" for module, _ in MODULES.values()} & set(said)


def test_a_settings_file_that_is_not_there_is_not_a_fault_of_it(tmp_path: Path) -> None:
    for command in ("check", "run"):
        result = run(command, str(tmp_path / "no.toml"))
        assert result.exit_code == 2
        assert "no such file" in result.stderr
        assert "1 fault" not in result.stderr


def test_one_thing_is_counted_as_one(tmp_path: Path) -> None:
    said = run("check", str(write(tmp_path, SMALL))).output
    assert re.search(r"\b1 zone,", said)
    assert not re.search(r"\b1 (zone|sensor|cylinder|plate|package|channel)s", said)


def test_check_says_in_order_and_exits_0(tmp_path: Path) -> None:
    result = run("check", str(write(tmp_path, SMALL)))
    assert (result.exit_code, "in order" in result.output) == (0, True)


def test_check_says_which_names_the_pages_answer_to(tmp_path: Path) -> None:
    web = '[web]\npublic_url = "https://dry.example.org"\nhosts = ["dry.lan"]\n'
    said = run("check", str(write(tmp_path, SMALL + web))).output
    assert "pages answer to: IP addresses, dry.example.org, dry.lan, localhost" in said


PHONES = """
[[channels]]
id = "phone"
kind = "webhook"
url = "https://phones.example.org"
[[channels]]
id = "mail"
kind = "email"
url = "smtps://mail.example.org"
sender = "dry@example.org"
to = ["lead@example.org"]
[[channels]]
id = "lamps"
kind = "mqtt"
"""


@pytest.mark.parametrize(
    ("web", "said"),
    [
        ("", "carry no link to answer by"),
        ('[web]\npublic_url = "http://127.0.0.1:8480"\n', "lead to this machine alone"),
        ('[web]\npublic_url = "dry.example.org"\n', "begin with no address"),
        ('[web]\npublic_url = "https://dry.example.org"\n', ""),
    ],
)
def test_check_names_every_channel_whose_messages_a_phone_could_not_answer(
    tmp_path: Path, web: str, said: str
) -> None:
    result = run("check", str(write(tmp_path, SMALL + web + PHONES)))
    assert result.exit_code == (1 if said else 0), result.output
    for channel in ("phone", "mail"):
        assert (f"channel {channel}: its messages {said}" in result.output) == bool(said)
    assert "channel lamps" not in result.output  # what lamps read is not answered


def test_check_names_a_channel_of_browsers_that_no_browser_could_take_messages_from(tmp_path: Path) -> None:
    pushed = PHONES + '[[channels]]\nid = "browsers"\nkind = "webpush"\nsender = "mailto:lead@example.org"\n'
    for scheme, code in (("http", 1), ("https", 0)):
        web = f'[web]\npublic_url = "{scheme}://dry.example.org"\n'
        result = run("check", str(write(tmp_path, SMALL + web + pushed)))
        assert (result.exit_code, "channel browsers: browsers take" in result.output) == (code, code == 1)


def test_check_lists_every_fault_and_exits_1(tmp_path: Path) -> None:
    result = run("check", str(write(tmp_path, SMALL + '[mqtt]\nport = 99999\n[web]\nport = "x"\n')))
    assert result.exit_code == 1
    assert "mqtt.port" in result.stderr
    assert "web.port" in result.stderr
    assert "2 faults" in result.stderr


def test_run_on_a_faulty_file_exits_2_without_a_traceback(tmp_path: Path) -> None:
    result = run("run", str(write(tmp_path, "[[sites]]\n")))
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert "sites[0].id" in result.stderr


def test_an_unknown_command_exits_2() -> None:
    assert run("nonsense").exit_code == 2


def test_check_payload_understands_a_good_message_and_names_what_is_wrong_with_a_bad_one() -> None:
    good = json.dumps([{"n": "air_temperature", "u": "Cel", "v": 21.5}])
    assert run("check-payload", stdin=good).exit_code in (0, 1)
    bad = run("check-payload", stdin="{not json")
    assert bad.exit_code == 1
    assert "fault" in bad.output


def test_verify_says_that_a_fresh_chain_holds(tmp_path: Path) -> None:
    (tmp_path / "var").mkdir()
    result = run("verify", str(write(tmp_path, SMALL)))
    assert (result.exit_code, "the chain holds" in result.output) == (0, True)


def test_sheet_writes_the_record_of_a_week_and_calls_nothing_dry_that_nobody_measured(tmp_path: Path) -> None:
    (tmp_path / "var").mkdir()
    file = tmp_path / "week.pdf"
    result = run(
        "sheet", str(write(tmp_path, SMALL)), "week", "2026-W20", "--out", str(file), "--paper", "letter"
    )
    assert (result.exit_code, str(file) in result.output) == (0, True)
    (first, *_) = read_back(file.read_bytes())
    assert first.size_pt == (612, 792)
    assert "not known" in first.text
    assert run("sheet", str(write(tmp_path, SMALL)), "lot", "L-9", "--out", str(file)).exit_code == 2


def test_replay_of_a_file_that_is_no_recording_names_the_line(tmp_path: Path) -> None:
    recording = tmp_path / "r.jsonl"
    recording.write_text('{"zone": "slip-bay"}\n', encoding="utf-8")
    result = run("replay", str(write(tmp_path, SMALL)), str(recording))
    assert result.exit_code == 2
    assert "line 1" in result.stderr


def test_a_taken_port_is_a_clear_error_and_exit_code_2(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        text = SMALL + f'[mqtt]\nbroker = "embedded"\nport = 0\n[web]\nport = {port}\n'
        result = run("run", str(write(tmp_path, text)))
    assert result.exit_code == 2
    assert str(port) in result.stderr


def test_run_starts_serves_and_stops_when_told_to(tmp_path: Path) -> None:
    text = SMALL + f'[mqtt]\nbroker = "embedded"\nport = {free_port()}\n[web]\nport = 0\n'
    command = [sys.executable, "-m", "monitor", "run", str(write(tmp_path, text))]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    line = process.stdout.readline()
    assert "http://127.0.0.1:" in line
    os.kill(process.pid, signal.SIGTERM)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "Stopping" in out
    wait_until((tmp_path / "var" / "ledger.sqlite").exists, "the ledger")


CHANNELS = """
[[channels]]
id = "phone"
kind = "webhook"
url = "{url}"
secret = "whsec_bm8gbW9yZSB0aGFuIGEgdGVzdCBuZWVkcw=="

[[channels]]
id = "lamp"
kind = "mqtt"
"""


def test_a_channel_is_tested_and_what_became_of_it_is_said(tmp_path: Path) -> None:
    with web_receiver() as receiver:
        file = str(write(tmp_path, SMALL + CHANNELS.format(url=receiver.url)))
        taken = run("test-channel", file, "phone", "--who", "Ann")
        assert (taken.exit_code, taken.output) == (0, "phone: delivered (answered 200)\n")
        assert "Dryshift test by Ann" in receiver.messages[0]["text"]
        receiver.status = 503
        later = run("test-channel", file, "phone")
        assert later.exit_code == 1
        assert "not taken now; a warning would be tried again" in later.output
        receiver.status = 404
        never = run("test-channel", file, "phone")
        assert (never.exit_code, "refused" in never.output, "answered 404" in never.output) == (1, True, True)


def test_a_channel_that_does_not_exist_names_those_that_do(tmp_path: Path) -> None:
    result = run(
        "test-channel", str(write(tmp_path, SMALL + CHANNELS.format(url="http://127.0.0.1:1/"))), "fax"
    )
    assert result.exit_code == 2
    assert "use one of: phone, lamp" in result.stderr


@pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
def test_a_lamp_is_tested_without_taking_the_services_place_at_the_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Publisher(broker.port) as watcher:
        heard: list[str] = []
        watcher.client.on_message = lambda _c, _u, message: heard.append(message.topic)
        watcher.client.subscribe("#", 1)
        settings = f'[mqtt]\nbroker = "external"\nport = {broker.port}\n'
        file = str(write(tmp_path, settings + SMALL + CHANNELS.format(url="http://127.0.0.1:1/")))
        result = run("test-channel", file, "lamp")
        assert (result.exit_code, result.output) == (0, "lamp: delivered\n")
        wait_until(lambda: bool(heard), "the message")
        assert heard == ["dryshift/_all/lamp/_message"]


def test_the_demo_prints_with_a_warning_the_link_that_answers_it() -> None:
    told: dict[str, object] = {"created_s": DEMO_START.timestamp(), "text": "6 cylinders wet in Gas Cage."}
    assert message_lines(told) == ["[phone Mon 00:00] 6 cylinders wet in Gas Cage."]
    linked = {**told, "data": {"links": {"Acknowledge": "http://127.0.0.1:8480/a/x.y"}}}
    assert message_lines(linked)[1] == "    answer it: http://127.0.0.1:8480/a/x.y"
