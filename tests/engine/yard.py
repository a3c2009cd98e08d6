"""A small shop on a real Mosquitto, and a clock that a killed and restarted service shares with its test."""

import time
from pathlib import Path

BAY_TOML = """
[service]
data_dir = "data"
tick_s = 10
checkpoint_s = 120
derived_every_s = 30

[mqtt]
broker = "external"
host = "127.0.0.1"
port = {port}
commit_s = 0.02

[web]
port = 0
public_url = "http://127.0.0.1:1"

[limits]
on_delay_s = 30
off_delay_s = 60

[[sites]]
id = "yard"
name = "Ferrymoor Slipway"
timezone = "Europe/London"

[[zones]]
id = "slip-bay"
site = "yard"
name = "Slip Bay"
kind = "bay"

[[sensors]]
id = "bay-1"
zone = "slip-bay"
interval_s = 20
stale_after_s = 900
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
accuracy = 0.3
max_rate_per_min = 20
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
accuracy = 0.02
max_rate_per_min = 5

[[plates]]
id = "plate-keel"
zone = "slip-bay"
name = "Keel plate"
thickness_m = 0.025

[[channels]]
id = "phone"
kind = "webhook"
url = "{url}"
secret = "whsec_ZmVycnltb29yLCBpbnZlbnRlZCBmb3IgdGVzdHM="
"""

TOPIC = "dryshift/yard/slip-bay/bay-1"
START_S = 1_788_912_000.0  # a Tuesday evening in September 2026


class AnchoredClock:
    """Runs `speed` times as fast from `start_s`, counted from a real moment, so that a restart goes on."""

    simulated = False

    def __init__(self, anchor_s: float, speed: float, start_s: float = START_S) -> None:
        self._anchor_s = anchor_s
        self._speed = speed
        self._start_s = start_s

    def now_s(self) -> float:
        return self._start_s + (time.time() - self._anchor_s) * self._speed

    def real_seconds(self, seconds: float) -> float:
        return seconds / self._speed


def write_shop(folder: Path, port: int, url: str) -> Path:
    """The settings file of the small shop."""
    file = folder / "shop.toml"
    file.write_text(BAY_TOML.format(port=port, url=url), encoding="utf-8")
    return file


def humid_evening(minute: float) -> tuple[float, float]:
    """Air temperature and relative humidity: cool and dry, then sea air over steel that is still cold."""
    share = min(max((minute - 20.0) / 20.0, 0.0), 1.0)
    return 10.0 + 7.0 * share, 50.0 + 44.0 * share
