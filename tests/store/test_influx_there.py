"""Whether the time-series database is there is said before the service starts: README, `check`, the link."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli.main import main
from monitor.settings.schema import InfluxSection
from monitor.store.influx.link import InfluxLink, InfluxUnavailableError
from tests.ports import free_port
from tests.store import servers
from tests.test_settings import SMALL


def check(folder: Path, url: str, database: str) -> Result:
    text = SMALL + (
        '[store]\nseries = "influxdb"\n[store.influxdb]\n'
        f'url = "{url}"\ndatabase = "{database}"\n'
        f'username = "{servers.INFLUX_USER}"\npassword = "{servers.INFLUX_PASSWORD}"\n'
    )
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return CliRunner().invoke(main, ["check", str(file)])


def test_check_asks_the_server_whether_the_database_is_there(
    influx_section: InfluxSection, tmp_path: Path
) -> None:
    # Source: InfluxDB 1.6.7 (Debian's package) itself.
    there = check(tmp_path, influx_section.url, influx_section.database)
    assert there.exit_code == 0, there.output
    assert f"database {influx_section.database} is there" in there.output
    missing = check(tmp_path, influx_section.url, "nobody made it")
    assert missing.exit_code == 0
    assert "must be there, Dryshift makes none" in missing.output
    assert "database not found: nobody made it; make the database" in missing.output
    assert "CREATE DATABASE" in missing.output


def test_check_says_that_a_server_is_away_and_is_in_order_all_the_same(tmp_path: Path) -> None:
    said = check(tmp_path, f"http://127.0.0.1:{free_port()}", "dryshift")
    assert said.exit_code == 0
    assert "start the server or correct its url" in said.output


def test_a_database_that_is_missing_is_named_with_what_makes_it(influx_section: InfluxSection) -> None:
    link = InfluxLink(influx_section.model_copy(update={"database": 'odd "name"'}))
    with pytest.raises(InfluxUnavailableError, match="CREATE DATABASE"):
        link.look()
    link.close()
    link = InfluxLink(influx_section.model_copy(update={"retention_policy": "for ever"}))
    with pytest.raises(InfluxUnavailableError, match="retention policy not found: for ever"):
        link.look()
    link.close()
