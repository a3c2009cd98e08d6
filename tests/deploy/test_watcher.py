"""The watcher says what it sees, and loses no word."""

import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "deploy" / "watch" / "dryshift-watch.sh"
needs_curl = pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed")
NOWHERE = "http://127.0.0.1:1"


def watch(folder: Path, url: str, *, path: str = os.environ["PATH"], tell: str = "cat >> told") -> int:
    """One turn; what it tells is appended to a file of the folder."""
    environment = {"PATH": path, "NO_PROXY": "*", "DRYSHIFT_URL": url, "DRYSHIFT_TELL": tell}
    environment |= {"DRYSHIFT_STATE": str(folder / "silent"), "DRYSHIFT_AFTER": "2"}
    return subprocess.run([str(shutil.which("sh")), str(SCRIPT)], env=environment, cwd=folder).returncode


def told(folder: Path) -> list[str]:
    file = folder / "told"
    return file.read_text(encoding="utf-8").splitlines() if file.exists() else []


@contextmanager
def answering(status: int) -> Iterator[str]:
    """A server that says nothing but this."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Nobody reads it."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
    thread.join()


def test_without_curl_it_says_that_it_sees_nothing(tmp_path: Path) -> None:
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in ("sh", "cat", "uname", "sed"):
        (tools / name).symlink_to(str(shutil.which(name)))
    assert [watch(tmp_path, NOWHERE, path=str(tools)) for _ in range(3)] == [1, 1, 1]
    (line,) = told(tmp_path)
    assert "has no curl and sees nothing" in line
    assert "Nobody watches" not in line


@needs_curl
@pytest.mark.parametrize(
    ("status", "said"),
    [
        (503, "is not in order"),
        (401, "is not let in"),
        (403, "is not let in"),
        (301, "found no Dryshift"),
        (404, "found no Dryshift"),
        (502, "Nobody watches the shop"),
    ],
)
def test_each_answer_has_its_own_words_once(tmp_path: Path, status: int, said: str) -> None:
    with answering(status) as url:
        assert [watch(tmp_path, url) for _ in range(4)] == [1, 1, 1, 1]
    assert [said in line for line in told(tmp_path)] == [True]


@needs_curl
def test_what_becomes_worse_is_told_again_and_the_end_once(tmp_path: Path) -> None:
    with answering(503) as ill:
        for _ in range(3):
            watch(tmp_path, ill)
    for _ in range(3):
        watch(tmp_path, NOWHERE)
    with answering(503) as ill:
        watch(tmp_path, ill)
    with answering(200) as well:
        assert [watch(tmp_path, well) for _ in range(2)] == [0, 0]
    assert ["not in order" in told(tmp_path)[0], "Nobody watches" in told(tmp_path)[1]] == [True, True]
    assert ["is back" in line for line in told(tmp_path)] == [False, False, True]


@needs_curl
def test_what_could_not_be_told_is_told_the_next_time(tmp_path: Path) -> None:
    for _ in range(3):
        assert watch(tmp_path, NOWHERE, tell="exit 75") != 0
    assert told(tmp_path) == []
    watch(tmp_path, NOWHERE)
    watch(tmp_path, NOWHERE)
    assert ["Nobody watches" in line for line in told(tmp_path)] == [True]
    with answering(200) as well:
        watch(tmp_path, well, tell="exit 75")
        watch(tmp_path, well)
    assert "is back" in told(tmp_path)[-1]
