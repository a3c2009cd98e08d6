"""Looks ahead: from the store's hours and the forecast to the odds of each coming shift, and a plan."""

import logging
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import tzinfo
from functools import partial

import numpy as np

from monitor.core.state import Foreseen
from monitor.core.step import CoreState, Shop
from monitor.core.watch import shifts_standing
from monitor.engine.build import warning_rules
from monitor.engine.foretold import foretold_points, scored_event
from monitor.engine.hours_beside import sun_hours
from monitor.engine.learner import Learner
from monitor.engine.zone_hours import (
    NOT_FORETOLD,
    learnt_so_far,
    measured_outdoor,
    shift_was_humid,
    site_histories,
    zone_ahead,
)
from monitor.model.event import EventKind, NewEvent
from monitor.model.picture import ActionNow, Part, ShiftNow
from monitor.model.place import Site
from monitor.outlook.action import Action, PlanInputs
from monitor.outlook.beside import Trial, trial_from_mapping
from monitor.outlook.early import known_to, rooms_known
from monitor.outlook.forecast import ZoneForecast
from monitor.outlook.hourly import HOUR_S, AirHistory, FloatArray, OutdoorAir, hour_floor
from monitor.outlook.odds_record import calibration_of
from monitor.outlook.plan import plan
from monitor.outlook.response import ZoneModel, explain, fit, forecast
from monitor.outlook.scene import PlanPhrases, Scene
from monitor.outlook.shift_outlook import ShiftOutlook, calibrated, look_ahead, shift_outlooks
from monitor.outlook.shifts import upcoming
from monitor.outlook.warning import (
    Decision,
    WarningDecision,
    WarningMemory,
    came_out,
    decide,
    heard,
    record_of,
    score,
    told_beside,
)
from monitor.outlook.whatif import ZoneAnswer, practice_from_mapping, zone_answer
from monitor.physics.night_sky import NO_FORECAST, Clouds
from monitor.physics.saturation import dew_point_c
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore, StoreUnavailableError
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import WeatherProvider, WeatherReply, WeatherState
from monitor.weather.radiation import with_sun
from monitor.weather.site import outdoor_air, provider_for
from monitor.web.frame.deps import SiteAhead

HISTORY_DAYS = 60
HORIZON_S = 48 * HOUR_S
SCORED_WITHIN_S = 24 * HOUR_S
DONE_FOR_S = 4 * 86_400.0

log = logging.getLogger(__name__)


def weather_providers(settings: Settings) -> dict[str, WeatherProvider]:
    """The forecast provider of every site."""
    chosen = {weather.site: weather for weather in settings.weather}
    cache = settings.service.data_dir / "weather"
    return {site.id: provider_for(chosen.get(site.id), site, cache) for site in settings.sites}


class Foreseer:
    """Looks ahead for every site; called by the loop at fixed times, so that a replay sees the same."""

    def __init__(
        self,
        settings: Settings,
        series: SeriesStore,
        ledger: Ledger,
        providers: Mapping[str, WeatherProvider],
        archive: ForecastArchive,
        learner: Learner,
    ) -> None:
        self._settings = settings
        self._series = series
        self._ledger = ledger
        self._providers = providers
        self._archive = archive
        self._practice = practice_from_mapping(load_toml("outlook.toml"))
        self._rooms = rooms_known(load_toml("rooms_known.toml"))
        self._trial = trial_from_mapping(load_toml("outlook.toml"))
        self._learner = learner
        self._left_out = False  # whether the last view lacked a zone that waits for its first model
        self.views: dict[str, SiteAhead] = {}  # by site
        self._weather: dict[str, WeatherReply] = {}  # by site, as of the last look

    def look(self, shop: Shop, state: CoreState, now_s: float) -> tuple[Foreseen, list[NewEvent]] | None:
        """The coming shifts as of now, and the record of every warning decided on.

        None while zones wait for their first models: one left out would call a warning off, so what was
        foreseen before stands until they are learnt.
        """
        if self._learner.first_fits:
            return None
        memory, events = state.memory, list[NewEvent]()
        shifts: list[ShiftNow] = []
        actions: list[ActionNow] = []
        done = self._done(now_s)
        for site in self._settings.sites:
            self._left_out = False
            self.views[site.id] = view = self._view(shop, state, site, now_s, decides=True)
            if self._left_out:
                return None
            if view.questions is not None:
                self._series.write_points(foretold_points(view.questions.scene, view.questions.ahead))
            memory = told_beside(memory, view.outlooks, shifts_standing(state.book, state.shifts))
            memory, scored = self._scored(shop, memory, site, now_s)
            rules = warning_rules(self._settings, site.tz)
            memory = heard(memory, view.outlooks, now_s, rules)
            memory, decisions = decide(view.outlooks, memory, now_s, rules, _deadlines(view.actions))
            events += [*scored, *(_event(decision, now_s) for decision in decisions)]
            shifts += [_shift(outlook, memory) for outlook in view.outlooks]
            actions += [_action(action, done) for action in view.actions]
        clouds = {site: _clouds(reply) for site, reply in self._weather.items()}
        return Foreseen(tuple(shifts), tuple(actions), memory, clouds), events

    def picture(self, shop: Shop, state: CoreState, now_s: float) -> None:
        """See ahead for the pages alone, where a start would wait for the next look; nothing is decided."""
        for site in self._settings.sites:
            self.views[site.id] = self._view(shop, state, site, now_s, decides=False)

    def parts(self) -> list[Part]:
        """How the forecast of each site stands."""
        parts = []
        for site, reply in list(self._weather.items()):
            said, good = _said_of(reply)
            if reply.state is not WeatherState.NONE:
                parts.append(Part(f"weather {site}", good, said))
        return parts

    def _explained(self, zones: Iterable[str], clock: tzinfo) -> dict[str, str]:
        models = {zone: model for zone in zones if (model := self._learner.known(zone)) is not None}
        found = {zone: explain(model, clock) for zone, model in models.items()}
        return {zone: said for zone, said in found.items() if said}

    def _view(self, shop: Shop, state: CoreState, site: Site, now_s: float, *, decides: bool) -> SiteAhead:
        spans = upcoming(shop.shifts, now_s, HORIZON_S)
        spans = tuple(span for span in spans if span.site == site.id)
        reply = self._providers[site.id].forecast(now_s)
        self._keep(site.id, reply)
        self._weather[site.id] = reply
        said, good = _said_of(reply)
        seen = SiteAhead(site=site.id, looked_s=now_s, weather=said, forecast_good=good)
        rows = HISTORY_DAYS * 24 + 1
        begin_s = hour_floor(now_s) - (rows - 1) * HOUR_S
        histories = site_histories(self._series, shop, site.id, begin_s, rows, self._trial)
        notes = tuple(learnt_so_far(self._series, shop, site.id, begin_s, rows, histories))
        if not histories:
            return replace(seen, notes=notes)
        start_s, rows = _common(histories)
        measured = measured_outdoor(self._settings, self._series, site.id, start_s, rows)
        outdoor = outdoor_air(site.id, start_s, rows, measured, self._archive, reply.forecast)
        if outdoor is not None:
            sun = sun_hours(self._series, shop, site.id, start_s, rows, self._trial)
            outdoor = with_sun(outdoor, site, start_s, sun, self._archive, reply.forecast)
        forecasts = self._forecasts(histories, outdoor, now_s, decides=decides)
        first = self._learner.first_fits
        notes += tuple(
            f"{shop.zones[n].name}: its first model is being fitted" for n in histories if n in first
        )
        scene = self._scene(shop, state, site, _clouds(reply), _outdoor_dew(outdoor, rows))
        ahead = look_ahead(scene, forecasts, now_s)
        calibration = calibration_of(record_of(state.memory, site.id))
        outlooks = calibrated(
            shift_outlooks(scene, ahead, spans), calibration, scene.telling, scene.warn_frac
        )
        answers: dict[str, ZoneAnswer] = {}
        for name, history in histories.items():
            model = self._learner.known(name)
            answer = None if model is None else zone_answer(model, self._practice, history, outdoor)
            if answer is not None:
                answers[name] = answer
        inputs = PlanInputs(scene, ahead, spans, answers, _outdoor_pa(outdoor, rows), self._practice)
        return replace(
            seen,
            outlooks=outlooks,
            actions=plan(inputs, outlooks),
            questions=inputs,
            explanations=self._explained(ahead.air, site.tz),
            notes=notes,
        )

    def _keep(self, site: str, reply: WeatherReply) -> None:
        """Remember what was forecast; without an archive less is learnt, and the watch goes on."""
        if reply.forecast is None or reply.fetched_s is None:
            return
        try:
            self._archive.keep(site, reply.fetched_s, reply.forecast)
        except StoreUnavailableError as error:
            log.warning("the forecast was not kept: %s", error)

    def _forecasts(
        self, histories: Mapping[str, AirHistory], outdoor: OutdoorAir | None, now_s: float, *, decides: bool
    ) -> dict[str, ZoneForecast]:
        """Of every zone that has a model; the others are being learnt."""
        found = {}
        for zone, history in histories.items():
            first = not self._learner.at_once and self._learner.known(zone) is None
            due = partial(self._fit, zone, histories, outdoor, None if first else self._trial)
            model = self._learner.model(zone, now_s, due, decides=decides)
            self._left_out |= model is None
            if model is not None:
                found[zone] = forecast(model, history, outdoor)
        return found

    def _fit(
        self,
        zone: str,
        histories: Mapping[str, AirHistory],
        outdoor: OutdoorAir | None,
        trial: Trial | None,
    ) -> ZoneModel:
        """What a shop has added is tried once the zone has a model, so that nobody waits for it."""
        return fit(histories[zone], outdoor, known_to(zone, histories, outdoor, self._rooms), trial)

    def has_news(self) -> bool:
        """Whether zones were learnt for the first time since the last picture."""
        return self._learner.take_news()

    def _scene(
        self, shop: Shop, state: CoreState, site: Site, clouds: Clouds, outdoor_dew_c: tuple[float, ...]
    ) -> Scene:
        facts = {z.id: z for z in shop.zones.values() if z.site == site.id and z.kind not in NOT_FORETOLD}
        bodies = tuple(
            b for b in shop.bodies.values() if b.present and b.zone in facts and b.id in state.bodies
        )
        packages = tuple(shop.packages[name] for name in state.clocks if shop.packages[name].zone in facts)
        return Scene(
            site=site.id,
            words=PlanPhrases(site.tz, self._settings.web.temperature_unit == "F"),
            zones={name: zone_ahead(zone, shop, clouds) for name, zone in facts.items()},
            telling=shop.telling,
            bodies=bodies,
            states=state.bodies,
            packages=packages,
            clocks=state.clocks,
            margin_k=shop.limits.margin_caution_k,
            warn_frac=shop.shift_odds_frac,
            outdoor_dew_point_c=outdoor_dew_c,
        )

    def _done(self, now_s: float) -> frozenset[str]:
        """Actions that people have ticked off."""
        events = self._ledger.events(kinds=[EventKind.PLAN], start_s=now_s - DONE_FOR_S)
        latest = {event.subject: event.body.get("entry") for event in events}
        return frozenset(subject for subject, entry in latest.items() if entry == "done")

    def _scored(
        self, shop: Shop, memory: WarningMemory, site: Site, now_s: float
    ) -> tuple[WarningMemory, list[NewEvent]]:
        """Score the shifts that ended since yesterday by what was measured in them, for good."""
        events, known = list[NewEvent](), {one.shift.id for one in memory.scores}
        for span in upcoming(shop.shifts, now_s - SCORED_WITHIN_S, SCORED_WITHIN_S):
            if span.site != site.id or span.end_s > now_s or span.id in known:
                continue
            humid = shift_was_humid(self._series, shop, span)
            last_look = now_s - span.end_s >= SCORED_WITHIN_S - self._settings.warning.look_every_s
            if humid is not None or last_look:
                events.append(scored_event(came_out(memory, span, humid), now_s))
                memory = score(memory, span, humid)
        return memory, events


def _common(histories: Mapping[str, AirHistory]) -> tuple[float, int]:
    one = next(iter(histories.values()))
    return one.start_s, one.temperature_c.size


def _outdoor_pa(outdoor: OutdoorAir | None, rows: int) -> FloatArray:
    """Now first, then the 48 hours ahead."""
    if outdoor is None:
        return np.full(49, np.nan)
    ahead = outdoor.vapour_pressure_pa[rows - 1 : rows + 48]
    return np.concatenate([ahead, np.full(49 - ahead.size, np.nan)])


def _said_of(reply: WeatherReply) -> tuple[str, bool]:
    """Whose forecast it is, or why there is none; and whether it is a good one."""
    good = reply.state is WeatherState.GOOD
    if reply.state is WeatherState.NONE:
        return "", good
    return reply.attribution if good else reply.reason, good


def _clouds(reply: WeatherReply) -> Clouds:
    """The cover of the hours that a forecast tells; nothing without one."""
    forecast = reply.forecast
    if forecast is None or forecast.cloud_frac is None:
        return NO_FORECAST
    return Clouds(tuple(forecast.times_s.tolist()), tuple(forecast.cloud_frac.tolist()))


def _outdoor_dew(outdoor: OutdoorAir | None, rows: int) -> tuple[float, ...]:
    pressures = _outdoor_pa(outdoor, rows)[1:]
    if not np.isfinite(pressures).any():
        return ()
    return tuple(float(v) for v in dew_point_c(np.maximum(pressures, 1.0)))


def _deadlines(actions: Iterable[Action]) -> dict[str, float]:
    first: dict[str, float] = {}
    for action in actions:
        first[action.shift_id] = min(action.by_s, first.get(action.shift_id, action.by_s))
    return first


def _shift(outlook: ShiftOutlook, memory: WarningMemory) -> ShiftNow:
    span = outlook.shift
    told = memory.told.get(span.id)
    return ShiftNow(
        name=span.name,
        site=span.site,
        start_s=span.start_s,
        end_s=span.end_s,
        level=outlook.level,
        probability_frac=outlook.probability_frac,
        reason=outlook.reason,
        worst_s=outlook.worst_s,
        id=span.id,
        warned=told is not None and told.standing,
    )


def _action(action: Action, done: frozenset[str]) -> ActionNow:
    return ActionNow(
        id=action.id,
        text=action.text,
        by_s=action.by_s,
        saves_frac=action.saves_frac,
        done=action.id in done,
        shift=action.shift_id,
        zone=action.zone,
        caution=action.caution,
    )


def _event(decision: WarningDecision, now_s: float) -> NewEvent:
    body: dict[str, object] = {
        "entry": str(decision.kind),
        "probability_frac": decision.probability_frac,
        "level": str(decision.level),
        "start_s": decision.shift.start_s,
        "standing": decision.kind is not Decision.CANCEL,
    }
    return NewEvent(EventKind.PLAN, decision.shift.id, now_s, "dryshift", body, decision.reason, decision.key)
