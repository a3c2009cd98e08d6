"""One HTTP exchange with a total time and a total size; all that goes out by HTTP goes through here."""

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.exceptions import HTTPError

from monitor.model.errors import DryshiftError
from monitor.wire.pools import BoundedAdapter
from monitor.wire.ration import Ration

HEADER_BYTES = 64 * 1024
CHUNK_BYTES = 16_384
REDIRECTS = frozenset({301, 302, 303, 307, 308})


class NoAnswerError(DryshiftError):
    """There was no whole answer within time and size; says why."""


class UnusableAddressError(DryshiftError):
    """Nobody can be asked at such an address."""


@dataclass(frozen=True, slots=True)
class HttpRequest:
    """What is asked; where the body of the answer says nothing to us it is not read."""

    method: str
    url: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes | None = None
    ca_file: Path | str | None = None


@dataclass(frozen=True, slots=True)
class HttpLimits:
    """Total seconds, most bytes of an answer's body (0: it is not read), redirects that are followed."""

    total_s: float
    most_bytes: int = 0
    redirects: int = 0


@dataclass(frozen=True, slots=True)
class HttpAnswer:
    """What was answered; the names of headers are in lower case."""

    status: int
    headers: Mapping[str, str]
    body: bytes


def exchange(request: HttpRequest, limits: HttpLimits) -> HttpAnswer:
    """Ask once. Raises NoAnswerError for whatever the far end does, UnusableAddressError for an address.

    A redirect is followed only as often as the limits say, never from https to http, never to loopback or
    link-local addresses, never from a public address to one that is not; else it is the answer.
    """
    with (
        Ration(limits.total_s, HEADER_BYTES + limits.most_bytes) as ration,
        closing(BoundedAdapter()) as adapter,
    ):
        url = request.url
        for left in range(limits.redirects, -1, -1):
            answer = _ask(adapter, request, url, limits, ration)
            if not left or answer.status not in REDIRECTS or "location" not in answer.headers:
                break
            url = _next(url, answer)
            ration.outwards_only = True
        return answer


def _next(url: str, answer: HttpAnswer) -> str:
    said = answer.headers["location"]
    try:
        target = urljoin(url, said)
        scheme, host = urlsplit(target).scheme, urlsplit(target).hostname
    except ValueError as error:
        raise NoAnswerError(f"answered {answer.status} and points to no address") from error
    if scheme not in ("http", "https") or not host or (scheme == "http" and url.startswith("https")):
        raise NoAnswerError(f"answered {answer.status} and points to {said[:80]!r}, which is not followed")
    return target


def _ask(
    adapter: HTTPAdapter, request: HttpRequest, url: str, limits: HttpLimits, ration: Ration
) -> HttpAnswer:
    headers = {"Connection": "close", **request.headers}
    try:
        prepared = requests.Request(request.method, url, headers=headers, data=request.body).prepare()
    except (requests.RequestException, ValueError) as error:
        raise UnusableAddressError(f"the address {url} cannot be used: {error}") from error
    try:
        verify = True if request.ca_file is None else str(request.ca_file)
        chosen = requests.Session().merge_environment_settings(url, {}, True, verify, None)
        with adapter.send(
            prepared,
            stream=True,
            timeout=ration.left_s(),
            verify=chosen["verify"] or True,
            proxies=chosen["proxies"],
        ) as reply:
            told = {name.lower(): value for name, value in reply.headers.items()}
            return HttpAnswer(reply.status_code, told, _body(reply, limits, ration))
    except (requests.exceptions.InvalidSchema, requests.exceptions.InvalidURL) as error:
        raise UnusableAddressError(f"the address {url} cannot be used: {error}") from error
    except (requests.RequestException, HTTPError, OSError, ValueError) as error:
        raise NoAnswerError(ration.spent or f"{type(error).__name__}: {_root(error)}") from error


def _body(reply: requests.Response, limits: HttpLimits, ration: Ration) -> bytes:
    """What was sent, unpacked and bounded; a redirect's words are nobody's business."""
    if not limits.most_bytes or reply.status_code in REDIRECTS:
        return b""
    parts: list[bytes] = []
    size = 0
    for part in reply.iter_content(CHUNK_BYTES):
        size += len(part)
        if size > limits.most_bytes:
            ration.spent = f"sent more than {limits.most_bytes} bytes"
            raise NoAnswerError(ration.spent)
        parts.append(part)
    return b"".join(parts)


def _root(error: BaseException) -> str:
    while error.__cause__ or error.__context__:
        error = error.__cause__ or error.__context__ or error
    return (str(error) or type(error).__name__)[:200]
