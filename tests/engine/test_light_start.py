"""A default start brings in only what it uses."""

import json
import subprocess
import sys
from pathlib import Path

SHOP = """
[service]
data_dir = "data"
[mqtt]
broker = "external"
host = "127.0.0.1"
port = 1
[web]
port = 0
[[sites]]
id = "ferrymoor"
name = "Ferrymoor Slipway"
[[zones]]
id = "slip-bay"
site = "ferrymoor"
name = "Slip Bay"
[[sensors]]
id = "wall-1"
zone = "slip-bay"
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
"""
# A process that does as `dryshift run` does, and says what it has imported.
START = """
import json, sys
from pathlib import Path
from monitor.cli.main import main
from monitor.clock import SystemClock
from monitor.engine.service import Service
from monitor.settings.file import load
service = Service(load(Path(sys.argv[1])), SystemClock())
service.start()
service.stop()
print(json.dumps(sorted({name for name in sys.modules})))
"""
HEAVY = {
    "influxdb_client": "another store",
    "reactivex": "another store",
    "sqlalchemy.dialects.postgresql": "another ledger",
    "alembic": "a ledger of an older version",
    "iotcore": "the embedded broker",
    "apprise": "a push channel, in a process of its own",
    "icalendar": "a calendar, in a process of its own",
    "recurring_ical_events": "a calendar, in a process of its own",
    "typst": "printing",
    "markdown": "a guide",
    "cryptography": "making certificates",
    "tqdm": "a command with a bar",
    "monitor.demo": "the demo",
    "monitor.outlook.backtest": "a rehearsal of past seasons",
    "monitor.outlook.season": "a rehearsal of past seasons",
    "monitor.mqtt.broker_rights": "making log-ins for sensors",
    "monitor.fleet": "many shops",
    "pytest": "tests",
    "scipy": "nothing of the service",
    "pandas": "nothing of the service",
    "pyarrow": "months in files",
}


def imported(file: Path) -> set[str]:
    """What is imported after a start and a stop."""
    done = subprocess.run(
        [sys.executable, "-c", START, str(file)], cwd=file.parent, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_a_start_on_a_ledger_that_is_up_to_date_imports_nothing_that_it_does_not_use(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    first = imported(file)
    assert "alembic" in first  # the tables were made
    assert {name: why for name, why in HEAVY.items() if name in imported(file)} == {}
