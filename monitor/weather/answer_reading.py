"""Turns a fetched answer into a reply: good, kept, away or broken, always with its reason."""

from collections.abc import Callable

from monitor.weather.fetch import Fetched, Fetcher, FetchState
from monitor.weather.provider import OutdoorForecast, SchemaError, Terms, WeatherReply, WeatherState

OLDEST_S = 36 * 3600.0  # a forecast made longer ago than this is not used
AHEAD_S = 24 * 3600.0  # one that says it was made later than this would never grow old


def reply(
    terms: Terms,
    fetcher: Fetcher,
    url: str,
    fetched: Fetched,
    now_s: float,
    parse: Callable[[bytes], OutdoorForecast],
) -> WeatherReply:
    """Read an answer; one that breaks the schema is reported, and asked for again later."""
    credit = terms.attribution
    if fetched.state is FetchState.MISSING:
        return WeatherReply(WeatherState.AWAY, None, None, f"{terms.name} {fetched.reason}", credit)
    broken = ""
    try:
        forecast = _of_now(parse(fetched.body), terms, now_s)
        fetcher.accept(url, fetched.body)
    except SchemaError as error:
        broken = str(error)
        earlier = fetcher.spoiled(url, now_s, terms.least_interval_s)
        if earlier is None:
            return WeatherReply(WeatherState.BROKEN, None, fetched.fetched_s, broken, credit)
        forecast = parse(earlier)
    if now_s - forecast.issued_s > OLDEST_S:
        hours = (now_s - forecast.issued_s) / 3600.0
        why = f"{terms.name}: its forecast is {hours:.0f} h old"
        return WeatherReply(WeatherState.AWAY, None, fetched.fetched_s, why, credit)
    if broken or fetched.state is FetchState.KEPT:
        why = f"{broken or f'{terms.name} {fetched.reason}'}; an earlier forecast is in use"
        return WeatherReply(WeatherState.KEPT, forecast, fetched.fetched_s, why, credit)
    return WeatherReply(WeatherState.GOOD, forecast, fetched.fetched_s, "", credit)


def _of_now(forecast: OutdoorForecast, terms: Terms, now_s: float) -> OutdoorForecast:
    ahead_s = forecast.issued_s - now_s
    if ahead_s > AHEAD_S:
        raise SchemaError(terms.name, "time of issue", f"{ahead_s / 3600.0:.0f} h ahead")
    return forecast
