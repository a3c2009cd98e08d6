"""Measures the house: modules, lines, record types, names given twice, and what three journeys pass through.

Run `python -m tests.bench.house_bench`; Mosquitto must be installed. A journey counts each function of ours
that runs while it lasts: a reading's from the sensor's message to the phone's, on every thread; a deed's from
the tap to the record, and a page's from the request to its HTML, on the threads that serve pages, while the
core's state stands still.
"""

import ast
import re
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Any

import requests

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "monitor"
EXTRA = """
[[packages]]
id = "spool-9"
name = "Spool 9"
zone = "slip-bay"
consumable = "fcaw-folded-h8"
spool = "s300"
opened_at = 2026-09-08T06:00:00+01:00

[[people]]
id = "ann"
name = "Ann"
channels = ["phone"]

[[on_call]]
site = "yard"
steps = ["ann"]
"""


class Journey:
    """Notes every function of ours that runs while it is on."""

    def __init__(self) -> None:
        self.on = self.everywhere = False
        self.seen: set[tuple[str, str, int]] = set()

    def __call__(self, frame: FrameType, event: str, _: Any) -> None:
        if self.on and event == "call" and (self.everywhere or "AnyIO" in threading.current_thread().name):
            code = frame.f_code
            if code.co_filename.startswith(str(PACKAGE)) and not code.co_name.startswith("<"):
                self.seen.add((code.co_filename, code.co_qualname, code.co_firstlineno))

    def begin(self, *, everywhere: bool = False) -> None:
        """From now on; a page's journey is on the threads that serve pages, a reading's on all."""
        self.seen = set()
        self.everywhere = everywhere
        self.on = True

    def end(self) -> tuple[int, int]:
        """Functions and files."""
        self.on = False
        return len(self.seen), len({file for file, _, _ in self.seen})


def structure() -> dict[str, int]:
    """What a reader of the files finds."""
    files = list(PACKAGE.rglob("*.py"))
    classes: Counter[str] = Counter()
    records = 0
    for file in files:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                classes[node.name] += 1
                bases = [ast.unparse(base) for base in node.bases]
                marks = [ast.unparse(one) for one in node.decorator_list]
                records += any("dataclass" in one for one in marks) or "NamedTuple" in bases
    names = Counter(p.name for p in files if p.name != "__init__.py")
    return {
        "modules": len([p for p in files if p.name != "__init__.py"]),
        "lines": sum(p.read_text(encoding="utf-8").count("\n") for p in files),
        "classes": sum(classes.values()),
        "record types": records,
        "modules loose at the top": len([p for p in PACKAGE.glob("*.py") if p.name != "__init__.py"]),
        "class names given twice": sum(n > 1 for n in classes.values()),
        "file names given twice": sum(n > 1 for n in names.values()),
    }


def items() -> int:
    """Test items of the suite."""
    run = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"]
    told = subprocess.run(run, cwd=ROOT, capture_output=True, text=True, check=False).stdout
    found = re.search(r"(\d+) tests? collected", told)
    return int(found.group(1)) if found else -1


def journeys() -> dict[str, tuple[int, int]]:
    """Functions and files that each journey passes, in a real service on a real broker."""
    from tests.engine.live import LiveYard
    from tests.receivers import web_receiver

    journey = Journey()
    threading.setprofile(journey)
    sys.setprofile(journey)
    found = {}
    folder = Path(tempfile.mkdtemp(prefix="house-"))
    with web_receiver() as phone:
        names = {"port = 0": 'port = 0\nlog_in = "names"'}  # a deed counts without a log-in
        yard = LiveYard(folder, phone.url, extra=EXTRA, changes=names)
        with yard:
            journey.begin(everywhere=True)
            yard.until(lambda: bool(phone.requests), "the phone to be told", 120.0)
            found["a reading, from sensor to phone"] = journey.end()
            yard.judged_up_to_now()
            url = yard.service.server.url  # type: ignore[union-attr]
            with requests.Session() as browser:
                html = browser.get(f"{url}/thing/spool-9", timeout=20).text
                form = re.search(r'<form[^>]*class="deeds".*?</form>', html, re.S)
                assert form is not None
                fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form.group()))
                fields |= {"who": "Ann", "deed": "bagged", "zone": "slip-bay"}
                journey.begin()
                answer = browser.post(f"{url}/thing/spool-9", data=fields, timeout=20, allow_redirects=False)
                found["a spool bagged, from tap to record"] = journey.end()
                assert answer.status_code in (200, 303), answer.text
                with yard.service.loop.paused():  # its clock runs so fast that each request met a new state
                    for name, path in (("the week's page", "/week"), ("a page's frame alone", "/safety")):
                        browser.get(url + path, timeout=20)
                        journey.begin()
                        browser.get(url + path, timeout=20)
                        found[name] = journey.end()
    sys.setprofile(None)
    threading.setprofile(None)
    return found


def main() -> None:
    """Print the table."""
    for name, value in structure().items():
        print(f"{name:36} {value:7}")
    print(f"{'test items':36} {items():7}")
    for name, (functions, files) in journeys().items():
        print(f"{name:36} {functions:7} functions in {files} files")


if __name__ == "__main__":
    main()
