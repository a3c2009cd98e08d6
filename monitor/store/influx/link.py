"""Talks to an InfluxDB server: writes through influxdb-client, asks by InfluxQL over plain HTTP.

Every write and every answer has a total time and a total size; an answer is read only in its shape.
"""

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlencode

from urllib3.exceptions import HTTPError
from urllib3.util import make_headers

from monitor.settings.schema import InfluxSection
from monitor.store.contract import StoreUnavailableError
from monitor.wire.http import (
    HttpAnswer,
    HttpLimits,
    HttpRequest,
    NoAnswerError,
    UnusableAddressError,
    exchange,
)
from monitor.wire.pools import make_bounded
from monitor.wire.ration import Ration
from monitor.wire.wishes import wish_s

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

MOST_SAID_BYTES = 64 * 1024  # in answer to a write; packed, it may unpack to a thousand times as much
MOST_ANSWER_BYTES = 64 * 1024 * 1024
_MALFORMED = (ValueError, LookupError, TypeError, AttributeError, RecursionError)
_REFUSED = (400, 413, 422)
_DENIED = (401, 403)
PRECISION: Any = "ms"  # the library's WritePrecision.MS


class InfluxUnavailableError(StoreUnavailableError):
    """The server did not take or answer; `retry_after_s` is its own wish, `denied` a wrong token."""

    def __init__(self, reason: str, *, retry_after_s: float | None = None, denied: bool = False) -> None:
        self.retry_after_s = retry_after_s
        self.denied = denied
        super().__init__(reason)


class InfluxMuteError(InfluxUnavailableError):
    """The server takes writes but answers no InfluxQL: only what lies here can be shown."""


class _RefusedError(Exception):
    """The server read the points and will not have at least one of them."""


class ServerRefusal(NamedTuple):
    """A line that the server will not have, by its place in the batch, and why."""

    place: int
    reason: str


class ServerAnswer(NamedTuple):
    """One series of an answer."""

    tags: dict[str, str]
    columns: list[str]
    values: list[list[Any]]


class InfluxLink:
    """One server, database and retention policy."""

    def __init__(self, section: InfluxSection) -> None:
        # Here and not above, because every start of a shop without InfluxDB would pay its 25 MB.
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._section = section
        self._bucket = f"{section.database}/{section.retention_policy}"
        self._url = section.url.rstrip("/")
        password = section.password.get_secret_value() if section.password else ""
        token = section.token.get_secret_value() if section.token else ""
        self._headers: dict[str, str] = {"Accept-Encoding": "gzip"}
        if section.username:
            self._headers |= make_headers(basic_auth=f"{section.username}:{password}")
            token = token or f"{section.username}:{password}"
        elif token:
            self._headers["Authorization"] = f"Token {token}"
        self._client = InfluxDBClient(
            self._url, token=token, org=section.org, timeout=int(section.timeout_s * 1000), enable_gzip=True
        )
        make_bounded(self._client.api_client.rest_client.pool_manager)
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: Sequence[str]) -> list[ServerRefusal]:
        """Write lines; returns those the server will not have, each found by halving the batch.

        Writing a line again changes nothing, so a batch of which only a part arrived is sent whole.
        """
        refused: list[ServerRefusal] = []
        waiting = [(0, list(lines))] if lines else []
        while waiting:
            first, part = waiting.pop()
            try:
                self._post(part)
            except _RefusedError as error:
                if len(part) == 1:
                    refused.append(ServerRefusal(first, str(error)))
                else:
                    half = len(part) // 2
                    waiting += [(first + half, part[half:]), (first, part[:half])]
        return refused

    def _post(self, lines: list[str]) -> None:
        from influxdb_client.rest import ApiException

        with Ration(self._section.timeout_s, MOST_SAID_BYTES) as ration:
            try:
                self._writer.write(bucket=self._bucket, record="\n".join(lines), write_precision=PRECISION)
            except ApiException as error:
                raise _judged(error, self._url) from error
            except (HTTPError, OSError, ValueError, OverflowError) as error:
                raise InfluxUnavailableError(_away_text(self._url, ration.spent or _root(error))) from error

    def look(self) -> None:
        """Ask whether database and policy are there; InfluxUnavailableError says what to do."""
        name = self._section.database.replace("\\", "\\\\").replace('"', '\\"')
        policy = self._section.retention_policy
        found = {
            str(row[0]) for one in self.ask(f'SHOW RETENTION POLICIES ON "{name}"', "") for row in one.values
        }
        if policy not in found:
            words = f"retention policy not found: {policy}"
            raise InfluxUnavailableError(_missing_text(f"{self._url}/query", words))

    def ask(self, question: str, table: str) -> list[ServerAnswer]:
        """The answer to one InfluxQL question about one measurement, times in milliseconds."""
        section = self._section
        params = {"db": section.database, "rp": section.retention_policy, "epoch": "ms", "q": question}
        request = HttpRequest("GET", f"{self._url}/query?{urlencode(params)}", self._headers)
        try:
            reply = exchange(request, HttpLimits(section.timeout_s, MOST_ANSWER_BYTES))
        except (NoAnswerError, UnusableAddressError) as error:
            raise InfluxUnavailableError(_away_text(self._url, str(error))) from error
        if reply.status in _DENIED:
            raise InfluxUnavailableError(_denied_text(self._url, _words(reply)), denied=True)
        try:
            return self._read(json.loads(reply.body)["results"][0], table)
        except _MALFORMED as error:
            raise InfluxUnavailableError(
                f"{self._url}/query: no InfluxQL answer (status {reply.status}): {_words(reply)}"
            ) from error

    def _read(self, result: dict[str, Any], table: str) -> list[ServerAnswer]:
        if "error" in result:
            raise InfluxUnavailableError(_missing_text(f"{self._url}/query", str(result["error"])[:1000]))
        series = result.get("series", [])
        if any(one.get("name", "") != table for one in series):
            raise InfluxMuteError(f"{self._url}/query: the server answers no InfluxQL; it only takes writes")
        return [_answer(one) for one in series]

    def close(self) -> None:
        """Let go of the connections."""
        self._writer.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]


def _judged(error: "ApiException", url: str) -> Exception:
    words = str(error.body or error.reason or "").strip()[:1000]
    if error.status in _REFUSED:
        return _RefusedError(words)
    if error.status in _DENIED:
        return InfluxUnavailableError(_denied_text(url, words), denied=True)
    if error.status == 404:
        return InfluxUnavailableError(_missing_text(url, words))
    wish = str(error.headers.get("Retry-After", "")) if error.headers else ""
    # Without a clock here a date counts from 1970, so it wishes for long; whoever waits has a bound.
    return InfluxUnavailableError(f"{url}: status {error.status}: {words}", retry_after_s=wish_s(wish, 0.0))


def _answer(said: dict[str, Any]) -> ServerAnswer:
    columns, values = said["columns"], said.get("values", [])
    if any(len(row) != len(columns) for row in values):
        raise ValueError("a row is not as long as its columns are many")
    return ServerAnswer(said.get("tags") or {}, columns, values)


def _words(reply: HttpAnswer) -> str:
    return reply.body[:200].decode("utf-8", "replace")


def _denied_text(url: str, words: str) -> str:
    return f"{url}: the token or password was refused ({words.strip()[:200]}); correct it in the settings"


def _missing_text(url: str, words: str) -> str:
    fix = "; make the database and its retention policy (CREATE DATABASE), or correct their names"
    return f"{url}: {words}{fix if 'not found' in words else ''}"


def _away_text(url: str, why: str) -> str:
    return f"{url}: {why}; start the server or correct its url"


def _root(error: BaseException) -> str:
    while error.__cause__ or error.__context__:
        error = error.__cause__ or error.__context__ or error
    return str(error) or type(error).__name__
