"""Nothing is shown as safe that was not judged on evidence: what is silent, gone, assumed or not yet."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.history.entries import CylinderDelivered, Opened, PlateBroughtIn
from monitor.history.rack import judged, things
from monitor.model.errors import InputError
from monitor.model.level import Level
from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.engine.evidence_yard import EvidenceYard, steady
from tests.engine.yard import START_S

DRY = steady(12.0, 0.50)
RODS = Opened("Rods 7", "e7018", "slip-bay")


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[EvidenceYard]:
    made = EvidenceYard(tmp_path)
    yield made
    made.close()


def declared(opened_s: float) -> str:
    when = datetime.fromtimestamp(opened_s, UTC).isoformat()
    return (
        '\n[[packages]]\nid = "rods-7"\nzone = "slip-bay"\nname = "Rods 7"\n'
        f'consumable = "{RODS.consumable}"\nopened_at = {when}\n'
    )


def test_a_package_declared_as_opened_in_the_future_is_there_and_not_vouched_for(yard: EvidenceYard) -> None:
    yard.stops()
    yard.settings_are(declared(START_S + 86_400.0))
    yard.goes_on(1.0, bay_1=DRY)
    rods = yard.package("rods-7")
    assert rods.level is Level.UNKNOWN
    assert "has not come" in rods.verdict
    assert "when it was opened" in rods.action
    known = things(yard.keeper.things(), yard.keeper.deriver.declared, yard.now_s)
    assert (
        judged(known, yard.seen())["rods-7"].level is Level.UNKNOWN
    )  # so its label opens its page, not a form for a new one


def test_the_check_of_settings_names_a_package_opened_ahead_of_now(yard: EvidenceYard) -> None:
    text = yard.file.read_text(encoding="utf-8")
    yard.file.write_text(text + declared(32_503_680_000.0), encoding="utf-8")  # the year 3000
    result = CliRunner().invoke(main, ["check", str(yard.file)])
    assert result.exit_code == 1
    assert "packages.rods-7.opened_at" in result.stderr
    assert "has not come yet" in result.stderr


def test_an_entry_about_the_future_is_refused(yard: EvidenceYard) -> None:
    yard.goes_on(0.5, bay_1=DRY)
    with pytest.raises(InputError, match="future"):
        yard.enters("rods-7", RODS, hours_ago=-1.0)


def digests(notes) -> list:
    return [note for note in notes if note.data.get("why") == "digest"]


def test_after_a_stop_the_daily_word_waits_until_the_shop_was_judged_anew(yard: EvidenceYard) -> None:
    """A week's stop over the daily hour: nothing is said before a sensor was heard."""
    morning = (datetime.fromisoformat("2026-09-09T06:00+01:00").timestamp() - START_S) / 3600.0
    yard.goes_on(2.0, bay_1=DRY)
    yard.enters("rods-7", RODS)
    yard.goes_on(1.0, bay_1=DRY)
    yard.stops(7 * 24.0 + morning - 3.0 + 0.2)  # back twelve minutes after the hour of the daily word
    before = {item.notification.key for item in _outbox(yard)}
    yard.starts()
    assert not [i for i in _outbox(yard) if i.notification.key not in before]
    assert not digests(yard.goes_on(0.1))  # no sensor has spoken yet
    (note,) = digests(yard.goes_on(0.1, bay_1=DRY))
    assert "All well" not in note.title
    assert "Open" in note.title  # the rods have been over for days


def test_after_a_stop_sensors_that_stay_silent_are_not_said_to_report(yard: EvidenceYard) -> None:
    morning = (datetime.fromisoformat("2026-09-09T06:00+01:00").timestamp() - START_S) / 3600.0
    yard.goes_on(3.0, bay_1=DRY)
    yard.stops(7 * 24.0 + morning - 3.0 + 0.2)
    yard.starts()
    (note,) = digests(yard.goes_on(1.0))
    assert "All well" not in f"{note.title} {note.text}"
    assert "Not believed: 1 of 1" in note.text
    assert "Not known" in note.text


def _outbox(yard: EvidenceYard) -> list:
    return yard.ledger.outbox()


COLD_MORNING = steady(12.0, 0.80)  # dew point 8.7 °C; what comes in at 2 °C sweats by 6.7 K


def test_a_plate_entered_without_a_temperature_on_a_cold_morning_is_not_taken_as_dry(
    yard: EvidenceYard,
) -> None:
    yard.goes_on(2.0, bay_1=COLD_MORNING)
    yard.enters("deck", PlateBroughtIn("Deck plate", "slip-bay", 0.025))
    yard.enters("deck-2", PlateBroughtIn("Deck plate 2", "slip-bay", 0.025, start_temperature_c=2.0))
    yard.enters("mix-7", CylinderDelivered("Mix 7", "argon", "slip-bay"))
    yard.goes_on(0.1, bay_1=COLD_MORNING)
    assert yard.body("deck-2").level is Level.DANGER
    for name in ("deck", "mix-7"):
        assert yard.body(name).level is Level.UNKNOWN
        assert "temperature not entered" in yard.body(name).reason
        assert "10 °C colder" in yard.body(name).reason
        assert "Feel it by hand" in yard.body(name).action
    yard.goes_on(20.0, bay_1=COLD_MORNING)  # the range comes together with the plate's own time constant
    assert yard.body("deck").level in (Level.SAFE, Level.CAUTION)
    assert "not entered" not in yard.body("deck").reason


def test_at_the_first_start_what_stands_there_may_be_colder_than_its_air(yard: EvidenceYard) -> None:
    yard.goes_on(0.2, bay_1=steady(12.0, 0.75))  # 4.3 K clear if as warm as the air
    assert yard.body().level is Level.UNKNOWN
    assert "6 °C colder" in yard.body().reason


def test_where_both_ends_say_the_same_it_is_said_with_what_was_supposed(yard: EvidenceYard) -> None:
    yard.goes_on(0.2, bay_1=steady(12.0, 0.30))
    assert yard.body().level is Level.SAFE
    assert yard.body().reason.startswith("dry; start temperature not entered")


def night(hours: float) -> tuple[float, float]:
    """Mild and moderate till two, a cold night till ten, then damp air over what has gone cold."""
    if 2.0 <= hours < 10.0:
        return -1.0, 0.90
    return 12.0, 0.60


def silent_at_night(hours: float) -> tuple[float, float] | None:
    return None if 2.0 <= hours < 10.0 else night(hours)


LONG_DRY_START = 30.0  # hours, until nothing of the first start is supposed any more


def shifted(air, by: float):
    return lambda hours: air(max(hours - by, 0.0))


def test_a_gap_in_which_a_plate_may_have_gone_cold_leaves_it_unknown(tmp_path: Path) -> None:
    heard, silent = EvidenceYard(tmp_path / "heard"), EvidenceYard(tmp_path / "silent")
    heard.goes_on(LONG_DRY_START + 10.2, bay_1=shifted(night, LONG_DRY_START))
    silent.goes_on(LONG_DRY_START + 10.2, bay_1=shifted(silent_at_night, LONG_DRY_START))
    assert heard.body().level is Level.DANGER
    plate = silent.body()
    assert plate.level is Level.UNKNOWN
    assert "air not heard for 8 h" in plate.reason
    silent.goes_on(24.0, bay_1=steady(12.0, 0.60))
    assert silent.body().level is Level.SAFE
    assert silent.body().reason == "dry"
    heard.close()
    silent.close()


def test_a_short_gap_says_little_about_thick_steel(yard: EvidenceYard) -> None:
    yard.goes_on(LONG_DRY_START, bay_1=steady(12.0, 0.50))
    yard.goes_on(0.5)
    yard.goes_on(0.2, bay_1=steady(12.0, 0.50))
    assert yard.body().level is Level.SAFE


def test_readings_that_come_late_restore_what_the_gap_had_made_unknown(yard: EvidenceYard) -> None:
    yard.goes_on(LONG_DRY_START, bay_1=steady(12.0, 0.60))
    since_s = yard.now_s
    yard.goes_on(8.0)
    yard.goes_on(0.2, bay_1=steady(12.0, 0.60))
    assert yard.body().level is Level.UNKNOWN
    late = []
    for n in range(8 * 60):
        late += yard.readings("bay-1", steady(12.0, 0.60), since_s + 60.0 * n, yard.now_s + 1.0)
    yard.series.append(late)
    yard.goes_on(0.5, bay_1=steady(12.0, 0.60))
    assert yard.body().level is Level.SAFE
    assert yard.body().reason == "dry"


def test_a_probe_on_the_skin_ends_what_was_supposed(yard: EvidenceYard) -> None:
    yard.stops()
    probe = (
        '\n[[sensors]]\nid = "skin-1"\nzone = "slip-bay"\nbody = "plate-keel"\ninterval_s = 60\n'
        '[[sensors.measures]]\nquantity = "surface_temperature_c"\nunit = "Cel"\naccuracy = 0.5\n'
    )
    yard.settings_are(probe)
    yard.goes_on(0.1, bay_1=steady(12.0, 0.75))
    assert yard.body().level is Level.UNKNOWN
    key = SeriesKey("slip-bay", "skin-1", Quantity.SURFACE_TEMPERATURE)
    for n in range(10):
        said = 11.9 + 0.01 * (n % 3)
        yard.series.append([Reading(key, yard.now_s + 1.0, yard.now_s + 1.0, said, None, True)])
        yard.goes_on(1 / 60.0, bay_1=steady(12.0, 0.75))
    assert yard.body().level is Level.SAFE


MORNING_H = (datetime.fromisoformat("2026-09-09T06:00+01:00").timestamp() - START_S) / 3600.0


def test_a_package_opened_ahead_of_now_keeps_the_daily_word_from_saying_that_all_is_well(
    yard: EvidenceYard,
) -> None:
    yard.stops()
    yard.settings_are(declared(START_S + 30 * 86_400.0))
    (note,) = digests(yard.goes_on(MORNING_H + 0.1, bay_1=steady(12.0, 0.30)))
    assert "All well" not in f"{note.title} {note.text}"
    assert "Not known: 1" in note.title


def test_just_after_beginning_anew_the_daily_word_waits_until_the_shop_was_judged(yard: EvidenceYard) -> None:
    """Twenty seconds before the hour all that is remembered is forgotten: nothing is said of it."""
    yard.goes_on(MORNING_H - 0.05, bay_1=steady(12.0, 0.30))
    yard.now_s = START_S + MORNING_H * 3600.0 - 20.0
    yard.loop.advance_to(yard.now_s)
    yard.loop.begin_anew(yard.now_s, "the test says so")
    before = {item.notification.key for item in _outbox(yard)}
    yard.now_s += 40.0
    yard.loop.advance_to(yard.now_s)
    assert not [i for i in _outbox(yard) if i.notification.key not in before]
    assert len(digests(yard.goes_on(0.1, bay_1=steady(12.0, 0.30)))) == 1
