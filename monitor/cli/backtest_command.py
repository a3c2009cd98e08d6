"""`dryshift backtest`: how good the outlook and its warnings would have been on a recording."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

import click
from tqdm import tqdm

from monitor.clock import SystemClock
from monitor.engine.build import known_reference
from monitor.engine.rehearsal import (
    HUMID,
    Rehearsal,
    Weather,
    attic_shop,
    demo_year,
    foreseen,
    own_store,
    rehearse,
    site_foreseen,
)
from monitor.model.errors import Fault, InputError
from monitor.outlook.backtest import (
    SETTLED_DAYS,
    Recording,
    Replay,
    ZoneBacktest,
    backtest,
    baseline_table,
    error_table,
    event_table,
    parts,
    replay,
    too_short,
)
from monitor.outlook.beside import trial_from_mapping
from monitor.outlook.early import rooms_known
from monitor.outlook.hourly import DAY_H
from monitor.outlook.season import SeasonResult, odds_table, season_table
from monitor.outlook.warning_skill import skill_lines, warning_skill
from monitor.settings.file import load
from monitor.settings.reference import load_toml
from monitor.store.opener import open_series_store
from monitor.weather.forecast_archive import FILE, ForecastArchive
from monitor.weather.recordings import ATTIC, csv_recording, open_recordings

FORESEEN: dict[Weather, str] = {
    "archive": "as it was really forecast, hours of which no forecast was kept with the usual error",
    "typical": "foreseen with the usual error of forecasts, which is from memory",
    "perfect": "foreseen without error, as no forecast is",
    "none": "not foreseen",
}


@click.command("backtest")
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path))
@click.option("--open-data", type=click.Path(path_type=Path), help="Folder of the open measured data.")
@click.option(
    "--store", "settings_file", type=click.Path(path_type=Path), help="Settings of a shop: its store."
)
@click.option("--airport", multiple=True, help="The invented yard in the year of EWR, JFK or LGA.")
@click.option(
    "--weather",
    type=click.Choice(get_args(Weather)),
    help="Outdoor air as the shop's archive says it was forecast (the default where there is one), with the "
    "usual error of forecasts (else the default), without error, or not at all.",
)
@click.option(
    "--warnings", is_flag=True, help="With --open-data: warnings in its attic too, by several limits."
)
@click.option("--lead", "lead_h", type=click.FloatRange(0.0, 40.0), help="Hours of warning; else the shop's.")
def backtest_command(
    recordings: tuple[Path, ...],
    open_data: Path | None,
    settings_file: Path | None,
    airport: tuple[str, ...],
    weather: Weather | None,
    warnings: bool,
    lead_h: float | None,
) -> None:
    """Forecast every hour of recordings from the days before it, and compare with what came.

    A CSV has the columns time (ISO 8601 with offset), temperature_c, relative_humidity_percent and, where
    there is one, outdoor_temperature_c and outdoor_relative_humidity_percent. The first weeks are scored
    apart. A shop's own store and the yard's year are also asked for their warnings of
    humid shifts: hits, false alarms, hours of lead.
    """
    found = [csv_recording(file) for file in recordings]
    if open_data is not None:
        found += open_recordings(open_data)
    sites = [demo_year(name) for name in airport]
    if settings_file is not None:
        sites += _stored(settings_file)
    if not found and not sites:
        fix = "name a CSV file, --store SETTINGS, --airport NAME or --open-data FOLDER"
        raise InputError([Fault("recordings", "none", fix)])
    found, sites = _scorable(found, sites)
    seen = [_foreseen(one, weather or "typical", n) for n, one in enumerate(found)]
    told = [site_foreseen(site, weather) for site in sites]
    sites = [_with_lead(site, lead_h) for site, _ in told]
    rooms, trial = rooms_known(load_toml("rooms_known.toml")), trial_from_mapping(load_toml("outlook.toml"))
    zones = len(seen) + sum(len(site.recordings) for site in sites)
    with tqdm(total=zones, unit="zone", desc="Backtest", disable=None) as bar:
        scores = list(backtest(seen, lambda _: _turn(bar), rooms=rooms))
        replays = []
        for site in sites:
            made = {}
            for name, recording in site.recordings.items():
                _turn(bar)
                made[name] = replay(recording, rooms, trial)
                scores += parts(made[name])
            replays.append(made)
    _weather_words(weather or "typical" if seen else None, {site.site: used for site, used in told})
    _forecasts(scores)
    for site, made in zip(sites, replays, strict=True):
        _warnings(site, made)
    for one in seen if warnings else ():
        if one.name == ATTIC:
            _attic_warnings(one)


def _attic_warnings(recording: Recording) -> None:
    """Each definition of a humid shift on the same forecasts."""
    made = {recording.history.zone: replay(recording)}
    for humid in HUMID:
        shop = attic_shop(recording, humid)
        result = _rehearsed(humid.name, shop, made)
        skill = warning_skill(result, shop.rules.probability, shop.rules)
        lead_h = shop.rules.min_lead_s / 3600.0
        title = f"Warnings in the {recording.name}, told at least {lead_h:g} h ahead; humid: {humid.name}"
        _show(title, skill_lines(skill))


def _scorable(found: list[Recording], sites: list[Rehearsal]) -> tuple[list[Recording], list[Rehearsal]]:
    """What is long enough to be scored; the rest is said, and where nothing is left that is the fault."""
    zones = [one for site in sites for one in site.recordings.values()]
    faults = [_short(one) for one in (*found, *zones) if too_short(one)]
    left = [one for one in found if not too_short(one)]
    sites_left = [site for site in sites if not any(map(too_short, site.recordings.values()))]
    if not (left or sites_left):
        raise InputError(faults)
    for fault in faults:
        click.echo(f"  left out: {fault}", err=True)
    return left, sites_left


def _short(recording: Recording) -> Fault:
    days = recording.history.temperature_c.size / DAY_H
    return Fault(recording.name, f"{days:.0f} days", too_short(recording))


def _stored(settings_file: Path) -> list[Rehearsal]:
    settings = load(settings_file, None, known_reference())
    series = open_series_store(settings)
    archive = ForecastArchive(settings.service.data_dir / FILE)
    try:
        return own_store(settings, series, SystemClock().now_s(), archive)
    finally:
        archive.close()
        series.close()


def _foreseen(recording: Recording, weather: Weather, seed: int) -> Recording:
    rows = recording.history.temperature_c.size
    return replace(recording, outdoor=foreseen(recording.outdoor, rows, weather, seed))


def _weather_words(recordings: Weather | None, sites: Mapping[str, Weather]) -> None:
    said = {**({"recordings": recordings} if recordings else {}), **sites}
    _show("Outdoor air", [f"{name}: {FORESEEN[weather]}" for name, weather in said.items()])


def _with_lead(site: Rehearsal, lead_h: float | None) -> Rehearsal:
    return (
        site
        if lead_h is None
        else replace(site, rules=site.rules.model_copy(update={"min_lead_s": lead_h * 3600.0}))
    )


def _forecasts(scores: Sequence[ZoneBacktest]) -> None:
    _show(
        "Dew point: mean absolute error in K, ratio to persistence and the best baseline", error_table(scores)
    )
    _show("Temperature: the same in K", error_table(scores, "temperature"))
    _show("Relative humidity: the same in percent", error_table(scores, "humidity"))
    _show("Dew point: the same against each baseline", baseline_table(scores))
    _show(
        "Odds of humidity over the limit (without one: the recording's own upper fifth)", event_table(scores)
    )


def _warnings(site: Rehearsal, replays: Mapping[str, Replay]) -> None:
    days = next(iter(site.recordings.values())).history.temperature_c.size / DAY_H
    if days <= SETTLED_DAYS:
        _show(
            f"Warnings of humid shifts at {site.site}", [f"are scored from the {SETTLED_DAYS + 1}th day on"]
        )
        return
    result = _rehearsed(f"Warnings at {site.site}", site, replays)
    lead_h = site.rules.min_lead_s / 3600.0
    _show(f"Warnings of humid shifts at {site.site}, told at least {lead_h:g} h ahead", season_table(result))
    _show("Odds last said in time to act, and what came", odds_table(result))


def _rehearsed(what: str, site: Rehearsal, replays: Mapping[str, Replay]) -> SeasonResult:
    with tqdm(unit="step", desc=what, disable=None) as bar:
        return rehearse(site, replays, lambda _: _turn(bar))


def _turn(bar: "tqdm[object]") -> None:
    bar.update(1)


def _show(title: str, lines: Iterable[str]) -> None:
    click.echo(f"{title}\n" + "\n".join(lines) + "\n")
