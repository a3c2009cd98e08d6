"""Talks to an InfluxDB server: writes through influxdb-client, asks by InfluxQL through requests."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import requests
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from monitor.settings.schema import InfluxSection
from monitor.store.contract import StoreUnavailableError

_REFUSED = (400, 413, 422)
_DENIED = (401, 403)
PRECISION: WritePrecision = WritePrecision.MS  # type: ignore[assignment]  # the library types its names as text


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
        self._section = section
        self._bucket = f"{section.database}/{section.retention_policy}"
        self._url = section.url.rstrip("/")
        self._session = requests.Session()
        password = section.password.get_secret_value() if section.password else ""
        token = section.token.get_secret_value() if section.token else ""
        if section.username:
            self._session.auth = (section.username, password)
            token = token or f"{section.username}:{password}"
        elif token:
            self._session.headers["Authorization"] = f"Token {token}"
        self._client = InfluxDBClient(
            self._url, token=token, org=section.org, timeout=int(section.timeout_s * 1000), enable_gzip=True
        )
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
        try:
            self._writer.write(bucket=self._bucket, record="\n".join(lines), write_precision=PRECISION)
        except ApiException as error:
            raise _judged(error, self._url) from error
        except (HTTPError, OSError) as error:
            raise InfluxUnavailableError(_away_text(self._url, error)) from error

    def ask(self, question: str, table: str) -> list[ServerAnswer]:
        """The answer to one InfluxQL question about one measurement, times in milliseconds."""
        section = self._section
        params = {"db": section.database, "rp": section.retention_policy, "epoch": "ms", "q": question}
        try:
            reply = self._session.get(f"{self._url}/query", params=params, timeout=section.timeout_s)
        except requests.RequestException as error:
            raise InfluxUnavailableError(_away_text(self._url, error)) from error
        if reply.status_code in _DENIED:
            raise InfluxUnavailableError(_denied_text(self._url, reply.text), denied=True)
        try:
            result = reply.json()["results"][0]
        except (ValueError, LookupError, TypeError) as error:
            raise InfluxUnavailableError(
                f"{self._url}/query: no InfluxQL answer (status {reply.status_code}): {reply.text[:200]}"
            ) from error
        if "error" in result:
            raise InfluxUnavailableError(_missing_text(f"{self._url}/query", str(result["error"])))
        series = result.get("series", [])
        if any(one.get("name") != table for one in series):
            raise InfluxMuteError(f"{self._url}/query: the server answers no InfluxQL; it only takes writes")
        return [ServerAnswer(one.get("tags") or {}, one["columns"], one.get("values", [])) for one in series]

    def close(self) -> None:
        """Let go of the connections."""
        self._writer.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]
        self._session.close()


def _judged(error: ApiException, url: str) -> Exception:
    words = str(error.body or error.reason or "").strip()[:1000]
    if error.status in _REFUSED:
        return _RefusedError(words)
    if error.status in _DENIED:
        return InfluxUnavailableError(_denied_text(url, words), denied=True)
    if error.status == 404:
        return InfluxUnavailableError(_missing_text(url, words))
    wish = str(error.headers.get("Retry-After", "")) if error.headers else ""
    return InfluxUnavailableError(
        f"{url}: status {error.status}: {words}", retry_after_s=float(wish) if wish.isdigit() else None
    )


def _denied_text(url: str, words: str) -> str:
    return f"{url}: the token or password was refused ({words.strip()[:200]}); correct it in the settings"


def _missing_text(url: str, words: str) -> str:
    fix = "; make the database and its retention policy, or correct their names"
    return f"{url}: {words}{fix if 'not found' in words else ''}"


def _away_text(url: str, error: BaseException) -> str:
    return f"{url}: {_root(error)}; start the server or correct its url"


def _root(error: BaseException) -> str:
    while error.__cause__ or error.__context__:
        error = error.__cause__ or error.__context__ or error
    return str(error) or type(error).__name__
