"""What was learnt of a zone is taken up after a restart, where it is still what would be learnt."""

import shutil
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from monitor.engine.kept_models import FOLDER, KEPT_S, KeptModels, made_by
from monitor.outlook import response
from monitor.outlook.hourly import HOUR_S, OutdoorAir
from monitor.outlook.response import RECENT_H, ZoneModel, fit, forecast
from monitor.physics import saturation
from monitor.settings.schema import Settings
from tests.outlook.air import room, weather

ROWS = 24 * 30 + 1
OUTDOOR = weather(ROWS + 48)
PAST = OutdoorAir(OUTDOOR.temperature_c[:ROWS], OUTDOOR.vapour_pressure_pa[:ROWS])
YARD = {"sites": [{"id": "yard", "name": "Ferrymoor Slipway"}]}
SLIP_BAY = {"id": "bay", "site": "yard", "name": "Slip Bay"}
BAY = room(PAST, ROWS, exchange_h=0.6, lag_h=12.0, zone="bay")


@pytest.fixture(scope="module")
def model() -> ZoneModel:
    return fit(BAY, PAST)


def kept(folder: Path, how: str = "as now") -> KeptModels:
    return KeptModels(folder, how)


def test_what_was_kept_foresees_the_same_to_the_bit(tmp_path: Path, model: ZoneModel) -> None:
    kept(tmp_path).write(model)
    (read,) = kept(tmp_path).read(["bay", "hall"], model.fitted_s + 60.0).values()
    for outdoor in (OUTDOOR, None):
        one, other = (forecast(m, BAY, outdoor) for m in (model, read))
        np.testing.assert_array_equal(one.dew_point_samples_c, other.dew_point_samples_c)
        np.testing.assert_array_equal(one.temperature_samples_c, other.temperature_samples_c)
        assert one.notes == other.notes


def test_a_model_of_another_code_shop_or_store_is_learnt_anew(tmp_path: Path, model: ZoneModel) -> None:
    kept(tmp_path).write(model)
    assert kept(tmp_path, "otherwise").read(["bay"], model.fitted_s) == {}
    plain = Settings.model_validate({**YARD, "zones": [SLIP_BAY]})
    other = Settings.model_validate({**YARD, "zones": [{**SLIP_BAY, "kind": "store"}]})
    assert len({made_by(plain, 1), made_by(plain, 2), made_by(other, 1)}) == 3
    assert made_by(plain, 1) == made_by(plain, 1)


@pytest.mark.parametrize("code", [response, saturation])
def test_a_model_of_other_formulas_is_learnt_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: ModuleType
) -> None:
    shop = Settings.model_validate({**YARD, "zones": [SLIP_BAY]})
    before, here = made_by(shop, 1), Path(str(code.__file__))
    room = shutil.copytree(here.parent, tmp_path / "room")
    monkeypatch.setattr(code, "__file__", str(room / here.name))
    assert made_by(shop, 1) == before
    with (room / here.name).open("a") as file:
        file.write("# otherwise\n")
    assert made_by(shop, 1) != before


def test_a_model_of_the_future_or_of_long_ago_is_learnt_anew(tmp_path: Path, model: ZoneModel) -> None:
    kept(tmp_path).write(model)
    for late_s, there in ((-1.0, False), (0.0, True), (KEPT_S - 1.0, True), (KEPT_S, False)):
        assert bool(kept(tmp_path).read(["bay"], model.fitted_s + late_s)) is there


@pytest.mark.parametrize("left", [0, 1, 100, -1])
def test_a_damaged_file_is_learnt_anew_and_said(
    tmp_path: Path, model: ZoneModel, left: int, caplog: pytest.LogCaptureFixture
) -> None:
    kept(tmp_path).write(model)
    (file,) = (tmp_path / FOLDER).iterdir()
    file.write_bytes(file.read_bytes()[:left])
    assert kept(tmp_path).read(["bay"], model.fitted_s) == {}
    assert "bay cannot be read and is learnt anew" in caplog.text


def test_a_disk_that_takes_nothing_is_said_and_nothing_else(
    tmp_path: Path, model: ZoneModel, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FOLDER).write_text("a file stands where the folder would be", encoding="utf-8")
    kept(tmp_path).write(model)
    assert "what was learnt of bay is not kept" in caplog.text
    assert kept(tmp_path).read(["bay"], model.fitted_s) == {}


def test_a_model_holds_on_to_nothing_but_its_newest_day(model: ZoneModel) -> None:
    assert model.sighted is not None
    for quantity in (*model.sighted, *model.blind):
        arrays = [slope for one in quantity.fitted for slope in one.slope]
        arrays += [quantity.expert_weight, quantity.share, quantity.reach, quantity.balance.value]
        for array in arrays:
            assert array.base is None
        assert quantity.balance.value.shape[0] == 1


def test_a_forecast_looks_at_no_more_of_the_past_than_it_is_made_of(model: ZoneModel) -> None:
    first = ROWS - RECENT_H
    part = replace(
        BAY,
        start_s=BAY.start_s + first * HOUR_S,
        temperature_c=BAY.temperature_c[first:],
        vapour_pressure_pa=BAY.vapour_pressure_pa[first:],
    )
    whole, late = forecast(model, BAY, OUTDOOR), forecast(model, part, OUTDOOR.since(first))
    np.testing.assert_array_equal(whole.dew_point_samples_c, late.dew_point_samples_c)
