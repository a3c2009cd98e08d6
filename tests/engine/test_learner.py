"""Models are fitted beside the loop, one at a time; nobody waits for them who only looks."""

import threading
from dataclasses import replace

import pytest

from monitor.engine.learner import REFIT_S, Learner
from monitor.outlook.response import ZoneModel, fit
from tests.brokers import wait_until
from tests.outlook.air import room, weather

ROWS = 24 * 3 + 1


@pytest.fixture(scope="module")
def model() -> ZoneModel:
    outdoor = weather(ROWS)
    return fit(room(outdoor, ROWS, exchange_h=0.6, lag_h=12.0, zone="bay"), None)


def test_a_look_does_not_wait_for_a_fit_and_zones_are_fitted_one_at_a_time(model: ZoneModel) -> None:
    learner, go = Learner(at_once=False), threading.Event()
    running: list[str] = []
    most: list[int] = []

    def slow(zone: str) -> ZoneModel:
        running.append(zone)
        most.append(len(running))
        assert go.wait(20.0)
        running.remove(zone)
        return model

    for zone in ("bay", "hall", "bay"):
        assert learner.model(zone, 0.0, lambda zone=zone: slow(zone), decides=False) is None  # type: ignore[misc]
    assert learner.first_fits == {"bay", "hall"}
    assert not learner.take_news()
    go.set()
    wait_until(lambda: not learner.first_fits, "both fits")
    assert max(most) == 1
    assert learner.take_news()
    assert not learner.take_news()
    assert learner.known("hall") is model


def test_an_old_model_is_used_while_a_new_one_is_fitted(model: ZoneModel) -> None:
    learner, go = Learner(at_once=False), threading.Event()
    assert learner.model("bay", model.fitted_s, lambda: model, decides=True) is None
    wait_until(lambda: learner.known("bay") is model and not learner.first_fits, "the first model")
    assert learner.take_news()
    newer = ZoneModel("bay", model.fitted_s + REFIT_S, model.days, None, model.blind)

    def slow() -> ZoneModel:
        assert go.wait(20.0)
        return newer

    late_s = model.fitted_s + REFIT_S
    assert learner.model("bay", late_s, slow, decides=True) is model
    assert learner.first_fits == frozenset()
    go.set()
    wait_until(lambda: learner.known("bay") is newer, "the new model")
    assert not learner.take_news()  # nobody waited for it


def test_where_warnings_are_decided_a_first_model_is_waited_for_and_never_missing(model: ZoneModel) -> None:
    learner = Learner(at_once=False)
    assert learner.model("bay", 0.0, lambda: model, decides=True) is None
    wait_until(lambda: not learner.first_fits, "the first model")
    assert learner.model("bay", 0.0, lambda: model, decides=True) is model


def test_a_zone_that_could_not_be_learnt_beside_the_loop_is_tried_where_warnings_are_decided(
    model: ZoneModel,
) -> None:
    learner = Learner(at_once=False)

    def broken() -> ZoneModel:
        raise ZeroDivisionError

    assert learner.model("bay", 0.0, broken, decides=True) is None
    wait_until(lambda: not learner.first_fits, "the first try")
    with pytest.raises(ZeroDivisionError):
        learner.model("bay", 0.0, broken, decides=True)
    assert learner.model("bay", 0.0, lambda: model, decides=True) is model


def test_a_zone_that_cannot_be_learnt_leaves_the_others_to_be_learnt(model: ZoneModel) -> None:
    learner = Learner(at_once=False)

    def broken() -> ZoneModel:
        raise ZeroDivisionError

    assert learner.model("bay", 0.0, broken, decides=False) is None
    assert learner.model("hall", 0.0, lambda: model, decides=False) is None
    wait_until(lambda: learner.known("hall") is model, "the sound zone")
    assert learner.known("bay") is None


def test_what_a_shop_has_added_is_tried_once_a_zone_has_its_first_model(model: ZoneModel) -> None:
    learner = Learner(at_once=False)
    quick = replace(model, tried=False)
    assert learner.model("bay", model.fitted_s, lambda: quick, decides=True) is None
    wait_until(lambda: not learner.first_fits, "the first model")
    assert learner.model("bay", model.fitted_s, lambda: model, decides=True) is quick
    wait_until(lambda: learner.known("bay") is model, "the one with what was added")
    assert learner.model("bay", model.fitted_s, lambda: quick, decides=True) is model
