"""The printed address is one that a phone on the shop's network can open."""

import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli.reachable import addresses_of, as_code, pages_at, say_pages
from monitor.settings.schema import WebSection
from monitor.wire import own_addresses as own_addresses_
from monitor.wire.own_addresses import own_addresses

IP = shutil.which("ip")


def listed_by_the_machine() -> Iterator[str]:
    """What iproute2 says, another reading of the same."""
    said = subprocess.run([str(IP), "-4", "-o", "addr"], capture_output=True, text=True, check=True).stdout
    for line in said.splitlines():
        fields = line.split()
        if fields[1] != "lo" and not fields[1].startswith(("docker", "veth", "br-", "virbr")):
            yield fields[3].partition("/")[0]


@pytest.mark.skipif(IP is None, reason="iproute2 is not installed")
def test_the_machines_own_addresses_are_those_that_iproute_lists() -> None:
    assert set(own_addresses()) <= set(listed_by_the_machine())
    assert bool(own_addresses()) == bool(list(listed_by_the_machine()))


def test_pages_open_to_the_network_are_told_by_addresses_that_answer() -> None:
    with socket.create_server(("0.0.0.0", 0)) as pages:
        port = pages.getsockname()[1]
        for address in addresses_of("0.0.0.0", port):
            host = address.removeprefix("http://").rpartition(":")[0]
            assert not host.startswith("127.")
            if not host.endswith(".local"):
                socket.create_connection((host, port), 5).close()


def test_pages_of_this_machine_alone_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    say_pages("127.0.0.1", 8480, WebSection())
    said = capsys.readouterr().out
    assert "http://127.0.0.1:8480" in said
    assert "this machine alone" in said


def test_the_public_address_comes_first_unless_no_phone_could_open_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    say_pages("0.0.0.0", 8480, WebSection(public_url="https://dryshift.example.org/"))
    assert capsys.readouterr().out.startswith("Pages: https://dryshift.example.org")
    say_pages("0.0.0.0", 8480, WebSection(public_url="http://127.0.0.1:8480"))
    assert not capsys.readouterr().out.startswith("Pages: http://127.0.0.1")


def test_the_machines_name_is_told_only_where_it_is_served_and_the_pages_answer_to_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A file stands for the socket of whoever serves names, which no test can be sure of."""
    served = f"http://{socket.gethostname().partition('.')[0].lower()}.local:8480"
    name = served.removeprefix("http://").removesuffix(":8480")
    monkeypatch.setattr(own_addresses_, "NAMES_SERVED", tmp_path / "none")
    assert served not in pages_at("0.0.0.0", 8480, WebSection(hosts=(name,)))
    monkeypatch.setattr(own_addresses_, "NAMES_SERVED", tmp_path)
    assert served in pages_at("0.0.0.0", 8480, WebSection(hosts=(name,)))
    assert served not in pages_at("0.0.0.0", 8480, WebSection())


def test_a_code_is_narrow_enough_for_a_terminal() -> None:
    assert max(len(line) for line in as_code("http://192.168.100.200:8480").splitlines()) <= 40
