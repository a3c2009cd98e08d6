"""A board of deploy/sensor/ under MicroPython itself, with a simulated bus, clock, network and power."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "deploy" / "sensor" / "main.py"
PARTS = Path(__file__).parent / "board"
NEVER_SET_S = 1_000  # of a clock after the power came
FAR_BACK_S = (
    6 * 3_600.0
)  # a board's hours pass in seconds: in the past, so that nothing comes from the future


def interpreter() -> str:
    """Debian's micropython, or the one that the tests' own environment brings."""
    own = Path(sys.executable).with_name("micropython")
    found = shutil.which("micropython") or (str(own) if own.exists() else None)
    assert found is not None, "micropython is not there: `sh deploy/install.sh test`"
    return found


class Board:
    """Flash, clock and power of one sensor; every waking is a process, as after a deep sleep."""

    def __init__(self, folder: Path, *, ago_s: float = FAR_BACK_S, **told: Any) -> None:
        self.flash = folder / "flash"
        self.flash.mkdir()
        self._state = folder / "board.json"
        settings = {"every_s": 30, "wifi": "shop", "wifi_password": "word", "host": "127.0.0.1"} | told
        (self.flash / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
        self.put(
            true_s=float(int(time.time() - ago_s)),
            raw_s=NEVER_SET_S,
            cause=1,
            wifi=True,
            sntp=True,
            mute=False,
            wrong=0,
            measured=0,
            measured_s=[],
            slept=0,
            battery_uv=1_850_000,
        )
        self.said = ""

    def state(self) -> dict[str, Any]:
        """What the board says of itself."""
        said: dict[str, Any] = json.loads(self._state.read_text(encoding="utf-8"))
        return said

    def put(self, **changes: Any) -> None:
        """Change the world around it."""
        before = self.state() if self._state.exists() else {}
        self._state.write_text(json.dumps(before | changes), encoding="utf-8")

    def start(self) -> subprocess.Popen[str]:
        """Begin one waking."""
        environment = {"MICROPYPATH": f"{PARTS}:.frozen", "DRYSHIFT_BOARD": str(self._state)}
        return subprocess.Popen(
            [interpreter(), str(PROGRAM)],
            cwd=self.flash,
            env=os.environ | environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def wake(self, times: int = 1) -> None:
        """So many wakings, each until it sleeps again."""
        for _ in range(times):
            with self.start() as process:
                self.said, _ = process.communicate(timeout=60)
            assert process.returncode == 0, self.said

    def wake_and_lose_power(self, after_s: float) -> None:
        """One waking in which the power fails; it is there again later, with the clock at its start."""
        with self.start() as process:
            try:
                self.said, _ = process.communicate(timeout=after_s)
            except subprocess.TimeoutExpired:
                process.kill()
                process.communicate()
        self.put(true_s=self.state()["true_s"] + 30.0, raw_s=NEVER_SET_S, cause=1)
