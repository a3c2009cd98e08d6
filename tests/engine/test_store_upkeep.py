"""The service archives closed months by itself, says where they come from, and names a month that is lost."""

import json
from pathlib import Path

import pyarrow.parquet
import pytest
import requests
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.engine.store_upkeep import StoreUpkeep
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Point, Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.opener import open_embedded, open_ledger_for
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import wait_until
from tests.clocks import ManualClock
from tests.engine.live import LiveYard
from tests.receivers import web_receiver

T0 = 1_700_006_400.0  # 2023-11-15
DAY = 86_400.0
AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
DEW = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT)
SHOP = """
[service]
data_dir = "data"
[store]
archive_dir = "share"
archive_after_months = 2
[[sites]]
id = "yard"
name = "Ferrymoor Slipway"
[[zones]]
id = "slip-bay"
site = "yard"
name = "Slip Bay"
[[sensors]]
id = "wall-1"
zone = "slip-bay"
calibrated_on = 2023-09-01
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
accuracy = 0.3
offset = -0.15
"""


def fill(store: SqliteSeriesStore, days: int = 130) -> None:
    """Readings and derived points from the middle of November 2023 on."""
    times = [T0 + n * 3_600.0 for n in range(days * 24)]
    store.append([Reading(AIR, t, t + 0.5, 10.0 + n % 50 / 10.0, n) for n, t in enumerate(times)])
    store.write_points([Point(DEW, t, t % 17.0 / 7.0) for t in times])
    store.pack(T0 + 400 * DAY)


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "shop.toml"
    file.write_text(SHOP, encoding="utf-8")
    store = open_embedded(load(file))
    fill(store)
    store.close()
    return file


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    return result.exit_code, result.output


def about(file: Path) -> dict:
    return json.loads(pyarrow.parquet.read_metadata(file).metadata[b"dryshift"])


def upkeep_of(settings: Settings, store: SqliteSeriesStore, now_s: float) -> StoreUpkeep:
    return StoreUpkeep(settings, store, open_ledger_for(settings), ManualClock(now_s))


def test_the_service_moves_the_oldest_month_that_is_due_and_says_where_it_comes_from(shop: Path) -> None:
    settings = load(shop)
    ledger = open_ledger_for(settings)
    check = {"salt": "sodium chloride", "read_frac": 0.76}
    (entered,) = ledger.commit(
        [NewEvent(EventKind.SENSOR_CHECK, "wall-1", T0 + 3 * DAY, "lead", check)], entered_s=T0 + 3 * DAY
    )
    ledger.close()
    store = open_embedded(settings)
    upkeep = upkeep_of(settings, store, T0 + 130 * DAY)  # the end of March
    for month in ("2023-11", "2023-12"):
        upkeep.archive_due()
        assert {one.month for one in store.archived()} >= {month}
    upkeep.archive_due()
    assert {one.month for one in store.archived()} == {"2023-11", "2023-12"}, "January has two months to go"
    (part,) = upkeep.parts()
    assert (part.ok, part.text) == (True, "2 months in files")
    said = about(Path("share/2023-11-readings.parquet"))
    (sensor,) = said["sensors"]
    assert (sensor["calibrated_on"], sensor["measures"][0]["accuracy"]) == ("2023-09-01", 0.3)
    assert sensor["measures"][0]["offset"] == -0.15
    assert [(one["event"], one["sensor"], one["body"]["salt"]) for one in said["sensor_checks"]] == [
        (entered.number, "wall-1", "sodium chloride")
    ]
    assert said["record_end"] == {"number": entered.number, "hash": entered.hash}
    assert said["sites"][0]["name"] == "Ferrymoor Slipway"
    store.close()


def test_a_month_whose_numbers_still_come_in_is_no_fault_and_waits(shop: Path) -> None:
    settings = load(shop)
    store = open_embedded(settings)
    upkeep = upkeep_of(settings, store, T0 + 130 * DAY)
    store.append([Reading(AIR, T0 + 3_661.0, T0 + 130 * DAY, 3.0, 1)])
    upkeep.archive_due()
    assert {one.month for one in store.archived()} == {"2023-12"}
    assert [part.ok for part in upkeep.parts()] == [True]
    store.pack(T0 + 400 * DAY)
    upkeep.archive_due()
    assert {one.month for one in store.archived()} == {"2023-11", "2023-12"}
    upkeep.stop()  # that was never started
    store.close()


def test_months_are_archived_listed_missed_and_taken_back_by_hand(shop: Path) -> None:
    assert run("archive", shop, "--list") == (0, "")
    store = open_embedded(load(shop))
    whole = store.slice(AIR, 0.0, T0 + 400 * DAY).value.tolist()
    store.close()
    code, said = run("archive", shop)
    assert code == 0
    assert "2024-03-derived.parquet" in said
    assert said.count("SHA-256") == 10
    assert run("archive", shop)[0] == 0
    assert "in order" in run("check", shop, "--no-broker")[1]
    Path("share/2023-12-readings.parquet").rename("share/elsewhere")
    for command in (("archive", shop, "--list"), ("check", shop, "--no-broker")):
        code, said = run(*command)
        assert code == 1
        assert "2023-12-readings.parquet is missing; put it back" in said
    Path("share/elsewhere").rename("share/2023-12-readings.parquet")
    code, said = run("archive", shop, "--take-back", "2023-12")
    assert code == 0
    assert said.startswith(f"{2 * 31 * 24} numbers of 2023-12 lie in the live file again")
    code, said = run("archive", shop, "--take-back", "1999-01")
    assert (code, "lies in no file; months that do: 2023-11, 2024-01" in said) == (2, True)
    store = open_embedded(load(shop))
    assert store.slice(AIR, 0.0, T0 + 400 * DAY).value.tolist() == whole
    assert "2023-12" not in {one.month for one in store.archived()}
    store.close()


def test_a_lost_month_is_named_on_the_service_page_and_by_readyz(tmp_path: Path) -> None:
    with web_receiver() as phone:
        yard = LiveYard(tmp_path, phone.url)
        store = open_embedded(yard.settings)
        fill(store)
        upkeep = StoreUpkeep(
            yard.settings.model_copy(
                update={"store": yard.settings.store.model_copy(update={"archive_dir": store.shelf.folder})}
            ),
            store,
            open_ledger_for(yard.settings),
            ManualClock(T0 + 200 * DAY),
        )
        upkeep.archive_due()
        file = store.shelf.folder / "2023-11-readings.parquet"
        store.close()
        file.unlink()
        with yard:
            wait_until(lambda: not yard.part("archive").ok, "the look at the archive", 20)
            assert f"2023-11: {file} is missing" in yard.part("archive").text
            assert yard.service.server is not None
            answer = requests.get(yard.service.server.url + "/readyz", timeout=10)
            assert answer.status_code == 503
            assert any(f"{file} is missing" in line for line in answer.json()["failing"])
            page = requests.get(yard.service.server.url + "/service", timeout=10).text
            assert "2023-11-readings.parquet is missing" in page
