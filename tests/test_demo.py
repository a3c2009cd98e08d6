"""The demo as a newcomer meets it: a taken port, a kill, a full temporary folder."""

import os
import signal
import socket
import subprocess
import sys
from contextlib import ExitStack, suppress
from pathlib import Path

from monitor.cli.demo_command import demo_settings
from tests.disks import small_disk

HOLDS = """
import signal, sys
from monitor.demo.demo_folder import demo_folder
signal.signal(signal.SIGTERM, lambda *_: sys.exit())
with demo_folder() as folder:
    print(folder, flush=True)
    signal.pause()
"""


def python(temporary: Path, *arguments: str) -> subprocess.Popen[str]:
    """A Python whose temporary folder is the one given."""
    return subprocess.Popen(
        [sys.executable, *arguments],
        env={**os.environ, "TMPDIR": str(temporary)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def refused(process: subprocess.Popen[str]) -> str:
    """What a demo says that cannot run."""
    out, err = process.communicate(timeout=120)
    assert (process.returncode, out) == (2, ""), err
    assert "Traceback" not in err
    return err


def holder(temporary: Path) -> tuple[subprocess.Popen[str], Path]:
    process = python(temporary, "-c", HOLDS)
    assert process.stdout is not None
    return process, Path(process.stdout.readline().strip())


def ended(process: subprocess.Popen[str], by: signal.Signals) -> None:
    process.send_signal(by)
    process.communicate(timeout=30)


def test_the_next_demo_takes_away_the_folder_of_a_killed_one_and_leaves_that_of_a_running_one(
    tmp_path: Path,
) -> None:
    killed, left = holder(tmp_path)
    ended(killed, signal.SIGKILL)
    running, kept = holder(tmp_path)
    other, own = holder(tmp_path)
    (tmp_path / "dryshift-demo-of-somebody").mkdir()  # no demo's: nothing says whose it is
    try:
        assert not left.exists()
        assert kept.is_dir()
        assert own.is_dir()
    finally:
        ended(running, signal.SIGTERM)
        ended(other, signal.SIGTERM)
    assert [entry.name for entry in tmp_path.iterdir()] == ["dryshift-demo-of-somebody"]


def test_a_demo_takes_a_free_port_where_another_program_holds_the_usual_one(tmp_path: Path) -> None:
    with ExitStack() as held:
        with suppress(OSError):  # somebody else holds it: just as well
            held.enter_context(socket.create_server(("127.0.0.1", 8480)))
        assert demo_settings(tmp_path, "http://127.0.0.1:1/", "127.0.0.1", None).web.port == 0


def test_a_demo_names_the_taken_port_it_was_asked_for_before_it_prepares_anything(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = refused(python(tmp_path, "-m", "monitor", "demo", "--port", str(port)))
    assert f"web.port: found {port}; another program holds it" in said
    assert list(tmp_path.iterdir()) == []


def test_a_full_temporary_folder_is_named_with_what_to_do(tmp_path: Path) -> None:
    with small_disk(tmp_path, 2) as disk:
        said = refused(python(disk, "-m", "monitor", "demo"))
    assert "MB free in" in said
    assert "TMPDIR" in said


def test_no_temporary_folder_at_all_is_named(tmp_path: Path) -> None:
    program = (
        "import tempfile; tempfile._candidate_tempdir_list = lambda: [];"
        "from monitor.cli.main import main; main(['demo'])"
    )
    assert "temporary folder: found" in refused(python(tmp_path, "-c", program))
