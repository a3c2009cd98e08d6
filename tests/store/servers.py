"""Starts the real servers that this room's tests talk to, each on a free port of this machine only."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep

START_S = 60.0


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


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
    """End a server that was started here."""
    process.terminate()
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def postgresql_programs() -> Path | None:
    """The folder of the newest PostgreSQL installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    return found[-1].parent if found else None


@contextmanager
def postgresql(programs: Path) -> Iterator[str]:
    """A PostgreSQL server with an empty data folder; gives `USER@HOST:PORT`."""
    root = os.geteuid() == 0
    user = "postgres" if root else pwd.getpwuid(os.geteuid()).pw_name
    as_user = {"user": "postgres", "group": "postgres"} if root else {}
    home = Path(tempfile.mkdtemp(prefix="dryshift-pg-"))
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
        options += ["-cfsync=off", "-cmax_connections=60"]
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
            stop(process)
        shutil.rmtree(home, ignore_errors=True)
