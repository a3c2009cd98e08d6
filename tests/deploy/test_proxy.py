"""The proxy's example with the files that its script makes, the watcher and the service, all run together."""

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests

from tests.brokers import MOSQUITTO, wait_until
from tests.engine.live import LiveYard
from tests.ports import free_port
from tests.receivers import WebReceiver, web_receiver

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
NAME = "localhost"
PASSWORDS = {"lead": "slipway-in-spring", "watch": 'odd "signs\\ here'}
PEOPLE = """
[[people]]
id = "lead"
name = "Ann Ferrymoor"
channels = ["phone"]

[[on_call]]
site = "yard"
steps = ["lead"]
"""
pytestmark = [
    pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed"),
    pytest.mark.skipif(NGINX is None, reason="nginx is not installed"),
    pytest.mark.skipif(os.geteuid() != 0, reason="nginx gives up root's rights, so it wants them"),
]
MAIN = """
user www-data;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/f;
    uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
    include {folder}/site.conf;
}}
"""


@dataclass
class Proxied:
    """A running yard behind the proxy."""

    phone: WebReceiver
    url: str
    ca_file: str
    folder: Path

    def browser(self, who: str | None = None) -> requests.Session:
        session = requests.Session()
        session.trust_env = False
        session.verify = self.ca_file
        if who is not None:
            session.auth = (who, PASSWORDS[who])
        return session

    def watch(self, told: Path, **more: str) -> int:
        """One turn of the watcher."""
        environment = {
            "PATH": os.environ["PATH"],
            "DRYSHIFT_URL": self.url,
            "DRYSHIFT_TELL": f"cat >> {told}",
            "DRYSHIFT_STATE": f"{told}.state",
            "DRYSHIFT_AFTER": "1",
            "DRYSHIFT_CA": self.ca_file,
            "NO_PROXY": "*",
            **more,
        }
        script = str(DEPLOY / "watch" / "dryshift-watch.sh")
        return subprocess.run(["sh", script], env={k: v for k, v in environment.items() if v}).returncode


def make_files(folder: Path, *people: str) -> None:
    script = str(DEPLOY / "proxy" / "make-proxy-files.sh")
    words = "".join(f"{PASSWORDS[person]}\n" for person in people)
    subprocess.run(["sh", script, str(folder), NAME, *people], input=words, text=True, check=True)


@contextmanager
def nginx(folder: Path, pages_port: int) -> Iterator[int]:
    """The example as it stands, but for its ports and folder."""
    port, plain = free_port(), free_port()
    text = (DEPLOY / "proxy" / "nginx.conf.example").read_text(encoding="utf-8")
    for old, new in {
        "listen 443 ssl;": f"listen 127.0.0.1:{port} ssl;",
        "listen 80;": f"listen 127.0.0.1:{plain};",
        "127.0.0.1:8480": f"127.0.0.1:{pages_port}",
        "dryshift.example.org": NAME,
        "/etc/dryshift-proxy": str(folder),
    }.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "site.conf").write_text(text, encoding="utf-8")
    (folder / "nginx.conf").write_text(MAIN.format(folder=folder), encoding="utf-8")
    command = [
        str(NGINX),
        "-p",
        str(folder),
        "-e",
        str(folder / "error.log"),
        "-c",
        str(folder / "nginx.conf"),
    ]
    process = subprocess.Popen([*command, "-g", "daemon off;"])
    try:
        wait_until((folder / "nginx.pid").exists, "nginx to start", 20)
        yield port
    finally:
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    # Not below pytest's own folder, which is closed to the user as whom nginx reads the passwords.
    folder = Path(tempfile.mkdtemp(prefix="dryshift-proxy-"))
    make_files(folder, "lead", "watch")
    changes = {
        "[web]\nport = 0": '[web]\nport = 0\nuser_header = "X-Remote-User"',
        '"http://127.0.0.1:1"': f'"https://{NAME}"',
    }
    with (
        web_receiver() as phone,
        LiveYard(tmp_path_factory.mktemp("yard"), phone.url, extra=PEOPLE, changes=changes) as yard,
    ):
        assert yard.service.server is not None
        with nginx(folder, yard.service.server.port) as port:
            yield Proxied(phone, f"https://{NAME}:{port}", str(folder / "ca.crt"), folder)
    shutil.rmtree(folder)


def links_in(message: dict[str, Any]) -> dict[str, str]:
    found: dict[str, str] = (message.get("data") or {}).get("links") or {}
    return found


def test_nobody_sees_a_page_without_the_log_in(proxied: Proxied) -> None:
    assert proxied.browser().get(f"{proxied.url}/", timeout=20).status_code == 401
    assert proxied.browser("lead").get(f"{proxied.url}/", timeout=20).status_code == 200


def test_a_form_is_taken_on_any_port(proxied: Proxied) -> None:
    """A browser names the page's origin with its port; the proxy hands that name on."""
    browser = proxied.browser("lead")
    page = browser.get(f"{proxied.url}/things/new", timeout=20)
    token = re.search(r'name="form_token" value="([^"]+)"', page.text)
    assert token is not None
    form = {"form_token": token.group(1)}
    sent = browser.post(page.url, data=form, headers={"Origin": proxied.url}, timeout=20)
    assert sent.status_code not in (401, 403), sent.text
    foreign = browser.post(page.url, data=form, headers={"Origin": f"https://{NAME}"}, timeout=20)
    assert foreign.status_code == 403


def test_a_one_tap_page_comes_with_its_style_and_no_log_in_of_a_stranger(proxied: Proxied) -> None:
    wait_until(lambda: any(links_in(one) for one in proxied.phone.messages), "a warning on the phone")
    link = next(filter(None, map(links_in, proxied.phone.messages)))
    path = urlsplit(link["Answer"]).path
    # Who claims to be somebody on a page without log-in is nobody.
    page = proxied.browser().get(
        f"{proxied.url}{path}",
        timeout=20,
        headers={"X-Remote-User": "lead", "Authorization": "Basic bGVhZDp4"},
    )
    assert page.status_code == 200
    assets = re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text)
    assert [one for one in assets if ".css" in one]
    for one in assets:
        assert proxied.browser().get(f"{proxied.url}{one}", timeout=20).status_code == 200


def test_the_inside_stays_inside(proxied: Proxied) -> None:
    assert proxied.browser().get(f"{proxied.url}/metrics", timeout=20).status_code == 200  # of this machine
    site = (proxied.folder / "site.conf").read_text(encoding="utf-8")
    inside = re.search(r"metrics\|healthz\)\$ \{(.*?)\}", site, re.S)
    assert inside is not None
    assert "allow 127.0.0.1;" in inside.group(1)
    assert "deny all;" in inside.group(1)


def test_the_watcher_sees_the_service_through_the_proxy_with_its_log_in(
    proxied: Proxied, tmp_path: Path
) -> None:
    told = tmp_path / "told"
    wait_until(
        lambda: proxied.watch(told, DRYSHIFT_LOGIN=f"watch:{PASSWORDS['watch']}") == 0,
        "the pages to be ready",
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, "not let in"),
        ({"DRYSHIFT_LOGIN": "watch:wrong"}, "not let in"),
        ({"DRYSHIFT_CA": ""}, "does not trust the certificate"),
    ],
)
def test_a_watcher_that_is_not_let_in_says_so_and_not_that_nobody_watches(
    proxied: Proxied, tmp_path: Path, change: dict[str, str], said: str
) -> None:
    told = tmp_path / "told"
    assert proxied.watch(told, **change) == 1
    assert said in told.read_text()
    assert "Nobody watches" not in told.read_text()
