"""What to run off a package, and the faults a spools or sorption file may have."""

import copy
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import AirSamples, AirStretch
from monitor.consumables.exposure_clock import advance_clock, happened, start_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.materials import SorptionData, sorption_data
from monitor.consumables.run_off import run_off_guide
from monitor.consumables.spools import SpoolData, run_off_advice, spool_data, spool_layers
from monitor.consumables.stays import DatedHappening, Happening
from monitor.consumables.verdict import package_verdict
from monitor.model.errors import InputError

H = 3600.0
Rules = Callable[..., ClockRules]


@pytest.fixture(scope="module")
def spools(shared_toml: Callable[[str], dict[str, object]]) -> SpoolData:
    return spool_data(shared_toml("spools.toml"))


def advice_after(days: float, rules: ClockRules, spools: SpoolData, sorption: SorptionData) -> object:
    end = days * 24 * H
    times = np.arange(0.0, end, 900.0)
    shape = times.shape
    air = AirSamples(times, np.full(shape, 25.0), np.full(shape, 0.80), np.ones(shape, dtype=np.bool_))
    clock = advance_clock(start_clock(0.0, rules), AirStretch(Place.OPEN_AIR, "bay", end, air), rules)
    material = sorption.materials[rules.consumable.sorption or ""]
    return clock, run_off_advice(
        clock, rules, material, spool_layers(spools, "bs300", "cored", 1.2e-3), 9.0, 4.0
    )


def test_the_advice_grows_with_the_time_stood_and_is_called_an_estimate(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    rules = rules_for("fcaw-folded-h8")
    minutes = []
    for days in (0.01, 20.0, 90.0, 150.0):
        _, advice = advice_after(days, rules, spools, sorption)
        assert advice.text.startswith("Estimate: ")
        assert advice.least.layers <= advice.likely.layers <= advice.most.layers
        minutes.append(advice.likely.minutes)
    assert minutes == sorted(minutes)
    assert minutes[0] <= 7.5
    assert 10.0 <= minutes[2] <= 20.0


def test_after_the_run_off_the_same_spool_asks_for_nothing_more(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    rules = rules_for("fcaw-folded-h8")
    clock, advice = advice_after(90.0, rules, spools, sorption)
    depth = advice.likely.layers * 0.9 * 1.2e-3
    after = happened(clock, DatedHappening(Happening.RAN_OFF, clock.time_s, depth), rules)
    layers = spool_layers(spools, "bs300", "cored", 1.2e-3, 14.0)
    again = run_off_advice(after, rules, sorption.materials["cored-wire-folded"], layers, 9.0)
    assert again is not None
    assert again.likely.layers <= 1
    assert again.likely.minutes < 0.6 * advice.likely.minutes


def test_a_spool_damp_to_the_core_goes(rules_for: Rules, spools: SpoolData, sorption: SorptionData) -> None:
    _, advice = advice_after(4000.0, rules_for("fcaw-folded-h8"), spools, sorption)
    assert advice.likely.whole_spool
    assert "Withdraw" in advice.text


def test_electrodes_have_nothing_to_run_off(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    _, advice = advice_after(1.0, rules_for("e7018"), spools, sorption)
    assert advice is None


def guide_after(days: float, rules: ClockRules, spools: SpoolData, sorption: SorptionData) -> Any:
    clock, advice = advice_after(days, rules, spools, sorption)
    return run_off_guide(package_verdict(clock, rules), rules.consumable.kind, spools, advice)


def test_a_wire_over_its_hours_is_run_off_for_a_quarter_of_an_hour_then_test_beads(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    guide = guide_after(20.0, rules_for("fcaw-folded-h8"), spools, sorption)
    assert "about 15 minutes" in guide.steps[0]  # the shop's usual quarter of an hour, common practice
    assert "test bead" in guide.steps[1]
    assert "until one is sound" in guide.steps[2]
    assert "(common practice)" in guide.grounds[0]
    assert any("takes no hour off the code's clock" in ground for ground in guide.grounds)
    assert any("the qualified procedure rule" in caution for caution in guide.cautions)


def test_no_sound_bead_sends_a_wire_whose_hours_are_over_back_to_seismic_work(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    steps = guide_after(20.0, rules_for("fcaw-folded-h8"), spools, sorption).steps
    assert not any("Sound: weld" in step for step in steps)
    assert "off seismic work" in steps[-1]


def test_what_was_run_off_is_not_asked_for_again_and_the_bead_comes_next(
    rules_for: Rules, spools: SpoolData, sorption: SorptionData
) -> None:
    rules = rules_for("fcaw-folded-h8")
    clock, advice = advice_after(20.0, rules, spools, sorption)
    verdict, kind = package_verdict(clock, rules), rules.consumable.kind
    guide = run_off_guide(verdict, kind, spools, advice, Happening.RAN_OFF)
    assert guide is not None
    assert guide.steps[0].startswith("Weld a test bead")
    assert "have been run off" in guide.why


def test_a_fresh_wire_is_left_alone(rules_for: Rules, spools: SpoolData, sorption: SorptionData) -> None:
    assert guide_after(0.01, rules_for("fcaw-folded-h8"), spools, sorption) is None


def test_an_unsound_bead_calls_for_it_at_any_hour_and_a_second_withdraws(
    rules_for: Rules, spools: SpoolData
) -> None:
    rules = rules_for("fcaw-folded-h8")
    clock = happened(start_clock(0.0, rules), DatedHappening(Happening.BEAD_NOT_SOUND, 0.0), rules)
    kind = rules.consumable.kind
    first = run_off_guide(package_verdict(clock, rules), kind, spools, None)
    assert first is not None
    assert first.estimate == ""
    clock = happened(clock, DatedHappening(Happening.BEAD_NOT_SOUND, 0.0), rules)
    assert run_off_guide(package_verdict(clock, rules), kind, spools, None) is None


def test_electrodes_after_an_unsound_bead_are_never_told_to_run_off(
    rules_for: Rules, spools: SpoolData
) -> None:
    rules = rules_for("e7018")
    clock = happened(start_clock(0.0, rules), DatedHappening(Happening.BEAD_NOT_SOUND, 0.0), rules)
    verdict = package_verdict(clock, rules)
    assert run_off_guide(verdict, rules.consumable.kind, spools, None) is None
    assert verdict.action == "Do not weld the job. Weld a new test bead."


def test_an_unknown_spool_is_told_with_the_known_ones(spools: SpoolData) -> None:
    with pytest.raises(InputError, match=r"spool: found s999; use one of: bs300, .*\nwire: found gold"):
        spools.winding("s999", "gold", 1.2e-3)


def test_all_faults_of_a_spools_file_are_told(shared_toml: Callable[[str], dict[str, object]]) -> None:
    data = copy.deepcopy(shared_toml("spools.toml"))
    data["spool"][0]["flange"]["value"] = "wide"
    data["spool"][1]["barrel"]["value"] = 0.25
    data["spool"][2]["id"] = "s100"
    data["wire"][0]["diameters_mm"] = [1.2, 99.0]
    data["wire"][1]["density"]["status"] = "guess"
    with pytest.raises(InputError) as raised:
        spool_data(data)
    told = str(raised.value)
    for part in (
        "spool[s100].flange.value: found 'wide'",
        "spool[s200].barrel",
        "is used twice",
        "wire[cored].diameters_mm",
        "use one of: published, common practice, from memory",
    ):
        assert part in told


def test_all_faults_of_a_sorption_file_are_told(shared_toml: Callable[[str], dict[str, object]]) -> None:
    data = copy.deepcopy(shared_toml("sorption.toml"))
    wire, coating = data["material"]["cored-wire-folded"], data["material"]["basic-coating"]
    wire["layer"]["value"], wire["layer"]["high"] = 0.02, 0.02
    wire["checks"] = []
    coating["diffusivity"]["low"] = 1.0e-11
    coating["spread_factor"] = 0.5
    with pytest.raises(InputError) as raised:
        sorption_data(data)
    told = str(raised.value)
    for part in (
        "cored-wire-folded.layer: found",
        "cored-wire-folded.checks",
        "basic-coating.diffusivity.value",
        "basic-coating.spread_factor",
    ):
        assert part in told
