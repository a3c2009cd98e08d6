"""Fits the zones' models beside the loop, one zone at a time, so that judging never waits for learning."""

import logging
import threading
from collections.abc import Callable, Mapping

from monitor.outlook.hourly import HOUR_S
from monitor.outlook.response import ZoneModel

REFIT_S = 24 * HOUR_S

log = logging.getLogger(__name__)
Fit = Callable[[], ZoneModel]


class Learner:
    """Holds the newest model of every zone; what is due is fitted on a thread of its own.

    `at_once` fits where it is asked instead, for clocks that run faster than a fit does. `kept` are models
    that were learnt before this start; `keep` is given each that is learnt beside the loop.
    """

    def __init__(
        self,
        *,
        at_once: bool,
        kept: Mapping[str, ZoneModel] | None = None,
        keep: Callable[[ZoneModel], None] = lambda model: None,
    ) -> None:
        self.at_once = at_once
        self._keep = keep
        self._lock = threading.Lock()
        self._models: dict[str, ZoneModel] = dict(kept or {})
        self._waiting: dict[str, Fit] = {}
        self._fitting = ""
        self._worker: threading.Thread | None = None
        self._news = False
        self._failed: set[str] = set()

    def model(self, zone: str, now_s: float, fit: Fit, *, decides: bool) -> ZoneModel | None:
        """A zone's model; the old one while a new one is being fitted, None while its first one is.

        A zone that could not be learnt beside the loop is tried here where it `decides` on warnings, so that
        what is wrong is said and no warning is called off for want of it.
        """
        found = self._models.get(zone)
        if found is not None and found.tried and now_s - found.fitted_s < REFIT_S:
            return found
        if self.at_once or (decides and found is None and zone in self._failed):
            self._models[zone] = fit()
            self._failed.discard(zone)
            return self._models[zone]
        self._ask(zone, fit)
        return found

    def known(self, zone: str) -> ZoneModel | None:
        """What there is, without asking for more."""
        return self._models.get(zone)

    @property
    def first_fits(self) -> frozenset[str]:
        """Zones that wait for their first model."""
        with self._lock:
            asked = {*self._waiting, self._fitting} - {""}
            return frozenset(asked - self._models.keys())

    def take_news(self) -> bool:
        """Whether zones had their first models since this was last asked, and none is still waited for."""
        if self.first_fits:
            return False
        news, self._news = self._news, False
        return news

    def _ask(self, zone: str, fit: Fit) -> None:
        with self._lock:
            if zone == self._fitting:
                return
            self._waiting[zone] = fit
            if self._worker is None:
                self._worker = threading.Thread(target=self._work, name="learning", daemon=True)
                self._worker.start()

    def _work(self) -> None:
        while True:
            with self._lock:
                if not self._waiting:
                    self._worker = None
                    return
                self._fitting = next(iter(self._waiting))
                fit = self._waiting.pop(self._fitting)
            self._fit(self._fitting, fit)
            with self._lock:
                self._fitting = ""

    def _fit(self, zone: str, fit: Fit) -> None:
        try:
            model = fit()
        except Exception:  # loop border: a zone that cannot be learnt leaves the others to be learnt
            log.exception("%s could not be learnt; it is tried again at the next look", zone)
            self._failed.add(zone)
            return
        with self._lock:
            self._news = self._news or zone not in self._models
            self._models[zone] = model
        self._keep(model)
