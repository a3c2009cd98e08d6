"""The check of a humidity sensor over saturated salts: how to, the form, and what it came to."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.authority import ENTER
from monitor.model.actor import Actor
from monitor.model.device import Measure, Sensor
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.reading import Quantity, SeriesKey
from monitor.physics.calibration import Salt, salts_from_mapping
from monitor.report.sensor_check_lines import all_checks, checks_of
from monitor.sensors.quality_rules import QualityDefaults, calibrated_on_s, defaults_from, rules_from
from monitor.sensors.salt_check import (
    CheckRules,
    DatedCheck,
    Instrument,
    SaltReading,
    SensorCheck,
    body_of_check,
    calibration_due_s,
    check_rules,
    checked,
    reading_faults,
    words_of,
)
from monitor.settings.reference import load_toml
from monitor.store.contract import SeriesStore
from monitor.web.frame.forms import Ago, read_form, remember_who
from monitor.web.frame.local_time import Turn, moment_of
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed
from monitor.web.pages.deeds import celsius
from monitor.web.pages.things_page import UndoForm

AHEAD_S = 60.0
_Number = Annotated[float, Field(allow_inf_nan=False)]
_Salt = Annotated[str, Field(max_length=48)]
_Local = Annotated[str, Field(max_length=25)]


class CheckForm(BaseModel):
    """A check as entered: percent, and temperatures in the shop's unit."""

    who: Annotated[str, Field(min_length=1, max_length=80)]
    key: Annotated[str, Field(min_length=8, max_length=80)]
    ago: Ago = 0.0
    at: _Local = ""
    note: Annotated[str, Field(max_length=400)] = ""
    salt: _Salt = ""
    temperature: _Number | None = None
    reading: _Number | None = None
    filled: _Number | None = None  # what the page had filled in as the reading, and when
    filled_s: _Number | None = None
    scatter: Annotated[float, Field(ge=0, le=20)] | None = None
    salt_2: _Salt = ""
    temperature_2: _Number | None = None
    reading_2: _Number | None = None
    at_2: _Local = ""


@dataclass(frozen=True, slots=True)
class _Row:
    """One salt of the form; `of` says in faults which."""

    of: str
    salt: str
    temperature: float | None  # in the shop's unit
    percent: float | None
    time_s: float
    scatter_frac: float


@dataclass(frozen=True, slots=True)
class Showed:
    """What a sensor showed in the minutes before a moment."""

    humidity_frac: float
    scatter_frac: float
    temperature_c: float | None
    moving_frac: float  # how much the second half lies above the first
    until_s: float
    still: bool  # it has come to rest


@dataclass(frozen=True, slots=True)
class LastCheck:
    """What the list of sensors says of one: its last check, and when the next is due."""

    last: DatedCheck | None
    words: str
    due_s: float | None
    takes_salts: bool


@dataclass(frozen=True, slots=True)
class Known:
    """The reference data of checks."""

    salts: dict[str, Salt]
    notes: dict[str, str]
    rules: CheckRules
    defaults: QualityDefaults


def routes(web: Web) -> APIRouter:
    """The page, its form, and taking a slip back."""
    router = APIRouter(include_in_schema=False)
    known = known_checks()
    web.env.globals.update(last_checks=lambda: last_checks(web), said=said)

    @router.get("/check/{name}")
    def check(request: Request, name: str, done: Annotated[int, Query(ge=0)] = 0) -> HTMLResponse:
        if not any(sensor.id == name for sensor in web.deps.settings.sensors):
            raise HTTPException(404, "There is no such sensor in the settings; see the list of sensors.")
        return _page(web, request, sensor_named(web, name), known, done=done)

    @router.post("/check/{name}")
    async def enter(request: Request, name: str) -> Response:
        sensor = sensor_named(web, name)
        sent = await request.form(max_files=0, max_fields=50)
        values = {field: str(value) for field, value in sent.items()}
        try:
            form = await read_form(web, request, CheckForm)
            person = allowed(web.deps.settings, request, form.who, ENTER)
            written = await run_in_threadpool(record_check, web, sensor, known, form, person)
        except InputError as refusal:
            return await run_in_threadpool(
                _page, web, request, sensor, known, values=values, faults=refusal.faults
            )
        response = RedirectResponse(f"/check/{name}?done={written.number}", status_code=303)
        remember_who(response, person.name)
        return response

    @router.post("/check/{name}/undo")
    async def undo(request: Request, name: str) -> Response:
        sensor = sensor_named(web, name)
        form = await read_form(web, request, UndoForm)
        person = allowed(web.deps.settings, request, form.who, ENTER)
        body: dict[str, object] = {"of": form.of, "void": True}
        key, note = f"web/undo/{sensor.id}/{form.of}", form.note.strip()
        time_s = web.deps.clock() - form.ago
        event = NewEvent(EventKind.CORRECTION, sensor.id, time_s, person.name, body, note, key, person.proof)
        await run_in_threadpool(web.deps.record, event)
        return RedirectResponse(f"/check/{name}", status_code=303)

    return router


def known_checks() -> Known:
    """The reference data of `shared/`."""
    data = load_toml("salts.toml")
    notes = {name: str(row.get("note", "")) for name, row in data["salts"].items()}
    defaults = defaults_from(load_toml("quality.toml"))
    return Known(salts_from_mapping(data), notes, check_rules(data), defaults)


def said(check: SensorCheck) -> str:
    """Its one line, as a sentence begins."""
    words = words_of(check)
    return words[0].upper() + words[1:]


def record_check(web: Web, sensor: Sensor, known: Known, form: CheckForm, person: Actor) -> Event:
    """Work the check out and write it; InputError where it cannot be, and then nothing is written."""
    key, note = f"web/check/{sensor.id}/{form.key}", form.note.strip()
    told = NewEvent(
        EventKind.SENSOR_CHECK, sensor.id, web.deps.clock(), person.name, {}, note, key, person.proof
    )
    return write_check(web, sensor, known, told, lambda: _readings(web, sensor, known.rules, form))


def write_check(
    web: Web, sensor: Sensor, known: Known, told: NewEvent, read: Callable[[], list[SaltReading]]
) -> Event:
    """What was `read` over the salts, worked out and written once; `told` says by whom, why and its key."""
    measure = _humidity(sensor)
    if measure is None:
        raise InputError([Fault("sensor", sensor.id, "measures no humidity; choose one that does")])
    own = web.deps.ledger.events(kinds=[EventKind.SENSOR_CHECK], subject=sensor.id)
    written = next((one for one in own if one.key == told.key), None)
    if written is not None:
        return written
    before = checks_of(web.deps.ledger, sensor.id)
    readings = read()
    faults = reading_faults(readings, known.salts, web.show.temperature)
    if faults:
        raise InputError(faults)
    time_s = max(one.time_s for one in readings)
    earlier = [one.check for one in before if one.time_s < time_s]
    instrument = _instrument(sensor, measure, known.defaults)
    check = checked(readings, known.salts, known.rules, instrument, earlier[-1] if earlier else None)
    return web.deps.record(replace(told, time_s=time_s, body=body_of_check(check)))


def _readings(web: Web, sensor: Sensor, rules: CheckRules, form: CheckForm) -> list[SaltReading]:
    """One or two readings; what was left empty is taken from the minutes before, where they are stored."""
    tapped_s = web.deps.clock() - form.ago
    first_s = _moment(web, sensor, form.at, tapped_s, "time")
    if _stale(form, tapped_s, rules.old_s):
        taken = web.show.moment(form.filled_s or 0.0, tapped_s, web.show.zone_of(sensor.zone))
        fix = f"was filled in at {taken}; take it again, or type what it shows now"
        raise InputError([Fault("reading", f"{form.reading:g} %RH", fix)])
    as_filled = form.reading is not None and form.reading == form.filled
    reading = None if as_filled and form.at else form.reading  # the page's figure is of another time
    scatter = form.scatter / 100.0 if as_filled and form.scatter is not None else 0.0
    rows = [_Row("", form.salt, form.temperature, reading, first_s, scatter)]
    if form.salt_2:
        second_s = _moment(web, sensor, form.at_2, first_s, "time of the second salt")
        of = " of the second salt"
        rows.append(_Row(of, form.salt_2, form.temperature_2, form.reading_2, second_s, 0.0))
    found: list[SaltReading] = []
    faults: list[Fault] = []
    for row in rows:
        try:
            found.append(_reading(web, sensor, rules, row))
        except InputError as refusal:
            faults += refusal.faults
    if faults:
        raise InputError(faults)
    return found


def _reading(web: Web, sensor: Sensor, rules: CheckRules, row: _Row) -> SaltReading:
    stored = showed(web.deps.series, sensor, row.time_s, rules) if row.percent is None else None
    warm_c = celsius(row.temperature, web.deps.settings)
    if warm_c is None and stored is not None:
        warm_c = stored.temperature_c
    faults = []
    if row.percent is None and stored is None:
        fix = "enter what the sensor showed, in %RH; nothing is stored of the ten minutes before"
        faults.append(Fault(f"reading{row.of}", "nothing", fix))
    if warm_c is None:
        fix = f"enter how warm the box was, in {web.show.degree}"
        faults.append(Fault(f"temperature{row.of}", "nothing", fix))
    if faults or warm_c is None:
        raise InputError(faults)
    if stored is not None:
        return SaltReading(row.salt, warm_c, stored.humidity_frac, row.time_s, stored.scatter_frac)
    return SaltReading(row.salt, warm_c, (row.percent or 0.0) / 100.0, row.time_s, row.scatter_frac)


def _stale(form: CheckForm, tapped_s: float, old_s: float) -> bool:
    """Whether the reading is what the page filled in, long before it was sent, perhaps before the box."""
    unchanged = form.reading is not None and form.reading == form.filled and not form.at
    return unchanged and form.filled_s is not None and tapped_s - form.filled_s > old_s


def _moment(web: Web, sensor: Sensor, text: str, otherwise_s: float, name: str) -> float:
    time_s = moment_of(text, web.show.zone_of(sensor.zone), Turn.FIRST) if text else otherwise_s
    if time_s > web.deps.clock() + AHEAD_S:
        found = web.show.full(time_s)
        raise InputError([Fault(name, found, f"{found} lies in the future; enter what has happened")])
    return time_s


def showed(series: SeriesStore, sensor: Sensor, until_s: float, rules: CheckRules) -> Showed | None:
    """The mean of a sensor's believed readings in the ten minutes before; None without two of them."""
    key = SeriesKey(sensor.zone, sensor.id, Quantity.RELATIVE_HUMIDITY)
    start_s = until_s - rules.shown_s
    part = series.slice(key, start_s, until_s + 1.0)
    times, values = part.time_s[~part.doubtful], part.value[~part.doubtful]
    if len(values) < 2:
        return None
    late = times >= until_s - rules.shown_s / 2.0
    moving = float(values[late].mean() - values[~late].mean()) if 0 < late.sum() < len(late) else 0.0
    warm = series.slice(key._replace(quantity=Quantity.AIR_TEMPERATURE), start_s, until_s + 1.0)
    degrees = warm.value[~warm.doubtful]
    temperature_c = float(degrees.mean()) if len(degrees) else None
    scatter, still = float(np.std(values, ddof=1)), abs(moving) <= rules.still_frac
    return Showed(float(values.mean()), scatter, temperature_c, moving, until_s, still)


def last_checks(web: Web) -> dict[str, LastCheck]:
    """Of every sensor of the settings: its last check, what it showed, and when the next is due."""
    stand, found = all_checks(web.deps.ledger), {}
    for sensor in web.deps.settings.sensors:
        checks = stand.get(sensor.id, [])
        due_s = calibration_due_s(checks, calibrated_on_s(sensor), sensor.calibration_days)
        last = checks[-1] if checks else None
        words = "" if last is None else said(last.check)
        found[sensor.id] = LastCheck(last, words, due_s, _humidity(sensor) is not None)
    return found


def sensor_named(web: Web, name: str) -> Sensor:
    """A sensor of the settings; InputError where there is none of this id."""
    found = next((sensor for sensor in web.deps.settings.sensors if sensor.id == name), None)
    if found is None:
        known = ", ".join(sensor.id for sensor in web.deps.settings.sensors)
        raise InputError([Fault("sensor", name, f"{name} is not in the settings; use one of: {known}")])
    return found


def _humidity(sensor: Sensor) -> Measure | None:
    return next((one for one in sensor.measures if one.quantity is Quantity.RELATIVE_HUMIDITY), None)


def _instrument(sensor: Sensor, measure: Measure, defaults: QualityDefaults) -> Instrument:
    channel = rules_from(sensor, defaults).channels[Quantity.RELATIVE_HUMIDITY]
    return Instrument(
        gain=measure.gain,
        offset=measure.offset,
        calibration_days=sensor.calibration_days,
        accuracy_frac=channel.accuracy,
        accuracy_outer_frac=channel.accuracy_outer,
        inner_from_frac=channel.inner_from,
        inner_to_frac=channel.inner_to,
    )


def _page(
    web: Web,
    request: Request,
    sensor: Sensor,
    known: Known,
    *,
    done: int = 0,
    values: dict[str, str] | None = None,
    faults: tuple[Fault, ...] = (),
) -> HTMLResponse:
    now_s = web.deps.clock()
    checks = checks_of(web.deps.ledger, sensor.id)
    now = showed(web.deps.series, sensor, now_s, known.rules)
    usual: dict[str, Any] = dict.fromkeys(CheckForm.model_fields, "")
    if now is not None:
        usual |= _filled(web, now)
    return web.page(
        request,
        "check.html",
        422 if faults else 200,
        here="more",
        sensor=sensor,
        measure=_humidity(sensor),
        salts=known.salts,
        salt_notes=known.notes,
        now=now,
        values=usual | (values or {}),
        checks=[*reversed(checks)],
        done=next((one for one in checks if one.number == done), None),
        faults=faults,
        form_key=(values or {}).get("key") or secrets.token_urlsafe(9),
    )


def _filled(web: Web, now: Showed) -> dict[str, str]:
    """The form as the last ten minutes fill it in."""
    reading = f"{100.0 * now.humidity_frac:.2f}"
    filled = {"reading": reading, "filled": reading, "filled_s": f"{now.until_s:.0f}"}
    filled["scatter"] = f"{100.0 * now.scatter_frac:.2f}"
    if now.temperature_c is not None:
        filled["temperature"] = f"{web.show.degrees(now.temperature_c):.1f}"
    return filled
