"""Starts the real servers that this room's tests talk to, each on a free port of this machine only."""

import base64
import gzip
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from time import monotonic, sleep
from urllib.parse import parse_qs, urlencode, urlsplit

import psycopg
import pytest
import requests
import urllib3

from tests.ports import free_port

START_S = 60.0


def new_folder(name: str, *, on_disk: bool = False) -> Path:
    """A folder for a server's data; in memory where there is room, for the tests judge no disk."""
    memory = Path("/dev/shm")
    roomy = (
        not on_disk
        and memory.is_dir()
        and os.access(memory, os.W_OK)
        and shutil.disk_usage(memory).free > 2**31
    )
    return Path(tempfile.mkdtemp(prefix=f"dryshift-{name}-", dir=memory if roomy else None))


def wait_until(ready: Callable[[], bool], process: subprocess.Popen[bytes], log: Path) -> None:
    """Wait for a server to answer; an error with its own words where it does not."""
    give_up = monotonic() + START_S
    while not ready():
        if process.poll() is not None or monotonic() > give_up:
            raise RuntimeError(f"{process.args} did not start:\n{log.read_text(errors='replace')[-3000:]}")
        sleep(0.05)


def answers(port: int) -> bool:
    """Whether something accepts connections."""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def stop(process: subprocess.Popen[bytes]) -> None:
    """End a server that was started here; its data are kept."""
    process.terminate()
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        drop(process)


def drop(process: subprocess.Popen[bytes]) -> None:
    """End a server whose data nobody needs any more."""
    process.send_signal(signal.SIGQUIT)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def postgresql_programs() -> Path | None:
    """The folder of the newest PostgreSQL installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    return found[-1].parent if found else None


@contextmanager
def postgresql_or_skip(connections: int = 60) -> Iterator[str]:
    """A PostgreSQL of its own, or the test is skipped where none is installed."""
    programs = postgresql_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (apt: postgresql)")
    with postgresql(programs, connections) as server:
        yield server


def emptied(server: str, *schemas: str) -> str:
    """The URL of a server's database, with nothing left in it, nor of these schemas."""
    with psycopg.connect(f"postgresql://{server}/postgres", autocommit=True) as db:
        db.execute("DROP SCHEMA public CASCADE")
        db.execute("CREATE SCHEMA public")
        for name in schemas:
            db.execute(f"DROP SCHEMA IF EXISTS {name} CASCADE")
    return f"postgresql+psycopg://{server}/postgres"


@contextmanager
def postgresql(programs: Path, connections: int = 60) -> Iterator[str]:
    """A PostgreSQL server with an empty data folder; gives `USER@HOST:PORT`."""
    root = os.geteuid() == 0
    user = "postgres" if root else pwd.getpwuid(os.geteuid()).pw_name
    as_user = {"user": "postgres", "group": "postgres"} if root else {}
    home = new_folder("pg")
    process = None
    try:
        if root:
            shutil.chown(home, "postgres", "postgres")
        log = home / "server.log"
        made = subprocess.run(
            [programs / "initdb", "-D", home / "data", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"],
            capture_output=True,
            cwd=home,
            **as_user,
        )
        assert made.returncode == 0, made.stderr.decode()
        port = free_port()
        options = [f"-cport={port}", "-clisten_addresses=127.0.0.1", "-cunix_socket_directories="]
        options += ["-cfsync=off", f"-cmax_connections={connections}"]
        with log.open("wb") as words:
            process = subprocess.Popen(
                [programs / "postgres", "-D", home / "data", *options],
                stdout=words,
                stderr=words,
                cwd=home,
                **as_user,
            )
        ready = [programs / "pg_isready", "-q", "-h", "127.0.0.1", "-p", str(port)]
        wait_until(lambda: subprocess.run(ready, check=False).returncode == 0, process, log)
        yield f"{user}@127.0.0.1:{port}"
    finally:
        if process is not None:
            drop(process)
        shutil.rmtree(home, ignore_errors=True)


INFLUX_USER, INFLUX_PASSWORD = "shop", "made-for-the-test"


class Influx:
    """InfluxDB 1.6 with log-in, and in front of it a door that maps `/api/v2/write` to its `/write`."""

    def __init__(self, home: Path, settle: str) -> None:
        self.home = home
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None
        self.door = Door(self.port)
        config = f"""
            reporting-disabled = true
            bind-address = "127.0.0.1:{free_port()}"
            [meta]
              dir = "{home}/meta"
              logging-enabled = false
            [data]
              dir = "{home}/data"
              wal-dir = "{home}/wal"
              query-log-enabled = false
              cache-snapshot-write-cold-duration = "{settle}"
              compact-full-write-cold-duration = "{settle}"
            [http]
              bind-address = "127.0.0.1:{self.port}"
              auth-enabled = true
              log-enabled = false
        """
        (home / "influxdb.conf").write_text(config)
        self.start()
        self.ask(f"CREATE USER {INFLUX_USER} WITH PASSWORD '{INFLUX_PASSWORD}' WITH ALL PRIVILEGES")

    def start(self) -> None:
        """Start it, or start it again on the same data."""
        log = self.home / "server.log"
        with log.open("ab") as words:
            self.process = subprocess.Popen(
                ["influxd", "run", "-config", self.home / "influxdb.conf"], stdout=words, stderr=words
            )
        wait_until(lambda: answers(self.port), self.process, log)

    def stop(self) -> None:
        """End it; the data stay."""
        if self.process is not None:
            stop(self.process)
            self.process = None

    def ask(self, question: str, database: str = "") -> list[dict[str, object]]:
        """A statement or question past the door."""
        reply = requests.post(
            f"http://127.0.0.1:{self.port}/query",
            params={"db": database, "epoch": "ms"},
            data={"q": question},
            auth=(INFLUX_USER, INFLUX_PASSWORD),
            timeout=30,
        )
        result = reply.json()["results"][0]
        assert "error" not in result, result
        return list(result.get("series", []))

    def write(self, line: str, database: str) -> None:
        """A line past the door."""
        reply = requests.post(
            f"http://127.0.0.1:{self.port}/write",
            params={"db": database, "precision": "ms"},
            data=line,
            auth=(INFLUX_USER, INFLUX_PASSWORD),
            timeout=30,
        )
        assert reply.status_code == 204, reply.text

    def close(self) -> None:
        """End everything."""
        self.door.close()
        if self.process is not None:
            drop(self.process)


Reply = tuple[int, dict[str, str], bytes]


class Door:
    """A reverse proxy; `trouble` may give a reply of its own instead of passing a request on."""

    def __init__(self, port: int) -> None:
        self.trouble: Callable[[str, bytes], Reply | None] = lambda path, body: None
        self.writes: list[tuple[int, int, bool]] = []  # lines, bytes on the wire, gzipped
        self._target = f"http://127.0.0.1:{port}"
        self._pool = urllib3.PoolManager()
        handler = type("Handler", (_Handler,), {"door": self})
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
        self._server.daemon_threads = True
        self._thread = Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05})
        self._thread.start()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def passed_on(
        self, method: str, path: str, credentials: dict[str, str], wire: bytes, packed: bool
    ) -> Reply:
        """What the server behind the door says, or the trouble asked for."""
        body = gzip.decompress(wire) if packed else wire
        where = urlsplit(path)
        trouble = self.trouble(where.path, body)
        if trouble is not None:
            return trouble
        if where.path == "/api/v2/write":
            self.writes.append((body.count(b"\n") + 1, len(wire), packed))
            asked = parse_qs(where.query)
            database, policy = asked["bucket"][0].split("/")
            terms = {"db": database, "rp": policy, "precision": asked["precision"][0]}
            path = "/write?" + urlencode(terms)
        try:
            reply = self._pool.request(
                method, self._target + path, body=body, headers=credentials, retries=False
            )
        except urllib3.exceptions.HTTPError:
            return 502, {}, b"nobody behind the door"
        return reply.status, dict(reply.headers), reply.data

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
        self._pool.clear()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    door: Door

    def _answer(self) -> None:
        wire = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        packed = self.headers.get("Content-Encoding") == "gzip"
        given = self.headers.get("Authorization", "")
        if given.startswith("Token "):
            given = "Basic " + base64.b64encode(given[6:].encode()).decode()
        credentials = {"Authorization": given} if given else {}
        status, headers, content = self.door.passed_on(self.command, self.path, credentials, wire, packed)
        self.send_response(status)
        for name in ("Content-Type", "Retry-After"):
            if name in headers:
                self.send_header(name, headers[name])
        if status != 204:
            self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        if status != 204:
            self.wfile.write(content)

    do_GET = do_POST = _answer  # noqa: N815  # named by the library

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def influxdb(settle: str = "10m", *, on_disk: bool = False) -> Iterator[Influx]:
    """A real InfluxDB with an empty data folder; after `settle` without writes it packs its files."""
    home = new_folder("influx", on_disk=on_disk)
    server = None
    try:
        server = Influx(home, settle)
        yield server
    finally:
        if server is not None:
            server.close()
        shutil.rmtree(home, ignore_errors=True)


@contextmanager
def victoria_metrics() -> Iterator[str]:
    """A real VictoriaMetrics with an empty data folder; gives its url."""
    with victoria_metrics_at() as (url, _):
        yield url


@contextmanager
def victoria_metrics_at() -> Iterator[tuple[str, Path]]:
    """The same, with its folder."""
    home = new_folder("vm")
    port = free_port()
    log = home / "server.log"
    process = None
    try:
        with log.open("wb") as words:
            process = subprocess.Popen(
                [
                    "victoria-metrics",
                    f"-httpListenAddr=127.0.0.1:{port}",
                    f"-storageDataPath={home}/data",
                    "-retentionPeriod=100y",
                    "-dedup.minScrapeInterval=1ms",
                ],
                stdout=words,
                stderr=words,
            )
        wait_until(lambda: answers(port), process, log)
        yield f"http://127.0.0.1:{port}", home
    finally:
        if process is not None:
            drop(process)
        shutil.rmtree(home, ignore_errors=True)


@contextmanager
def door_apart(server: Influx) -> Iterator[str]:
    """The door in a process of its own, for measuring; gives its url."""
    command = [sys.executable, "-m", "tests.store.servers", str(server.port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


if __name__ == "__main__":
    print(Door(int(sys.argv[1])).url, flush=True)  # noqa: T201  # read by the one who started it
