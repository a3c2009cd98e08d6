"""Fetches a document politely: conditional requests, a cache on disk, no question asked too soon."""

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path

from monitor.model.back_off import BackOff
from monitor.wire.http import (
    HttpAnswer,
    HttpLimits,
    HttpRequest,
    NoAnswerError,
    UnusableAddressError,
    exchange,
)
from monitor.wire.wishes import wish_s

MOST_BYTES = 8 * 1024 * 1024
LIMITS = HttpLimits(total_s=25.0, most_bytes=MOST_BYTES, redirects=3)
LONGEST_WAIT_S = 6 * 3600.0
AGAIN = BackOff(first_s=60.0, most_s=LONGEST_WAIT_S)


class FetchState(StrEnum):
    """How a document came to hand."""

    FRESH = "fresh"  # just fetched, or confirmed unchanged, or not yet due
    KEPT = "kept"  # the source is away; this is the last that was had
    MISSING = "missing"  # the source is away and nothing was kept


@dataclass(frozen=True, slots=True)
class Fetched:
    """A document with its state; `fetched_s` is when its content was last confirmed."""

    state: FetchState
    body: bytes
    fetched_s: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is remembered of one address."""

    etag: str = ""
    modified: str = ""
    fetched_s: float | None = None
    not_before_s: float = 0.0
    failures: int = 0
    reason: str = ""


class Fetcher:
    """Asks for documents and keeps them in a folder, so that a restart does not ask again."""

    def __init__(self, folder: Path, user_agent: str, limits: HttpLimits = LIMITS) -> None:
        self._folder = folder
        self._user_agent = user_agent
        self._limits = limits
        self._unwritten: dict[str, _Kept] = {}  # while the disk is full

    def get(
        self, url: str, now_s: float, least_interval_s: float, accept: str = "application/json"
    ) -> Fetched:
        """The document at `url`, from the cache where the source need not or cannot be asked."""
        kept = self._remembered(url)
        if now_s < kept.not_before_s <= now_s + LONGEST_WAIT_S:  # further ahead it is of another clock
            return self._from_cache(url, kept)
        headers = {"Accept": accept, "User-Agent": self._user_agent, "Accept-Encoding": "gzip, deflate"}
        if kept.fetched_s is not None:
            headers |= {"If-None-Match": kept.etag} if kept.etag else {}
            headers |= {"If-Modified-Since": kept.modified} if kept.modified else {}
        try:
            answer = exchange(HttpRequest("GET", url, headers), self._limits)
        except (NoAnswerError, UnusableAddressError) as error:
            return self._failed(url, kept, now_s, None, str(error))
        return self._answered(url, answer, kept, now_s, least_interval_s)

    def _answered(
        self, url: str, answer: HttpAnswer, kept: _Kept, now_s: float, least_interval_s: float
    ) -> Fetched:
        if answer.status == 304 and kept.fetched_s is not None:
            return self._confirmed(url, answer, kept, now_s, least_interval_s, None)
        if answer.status not in (200, 203):  # 203: a proxy in between has changed the wording
            retry_s = wish_s(answer.headers.get("retry-after"), now_s)
            return self._failed(url, kept, now_s, retry_s, f"answered {answer.status}")
        return self._confirmed(url, answer, kept, now_s, least_interval_s, answer.body)

    def _confirmed(
        self,
        url: str,
        answer: HttpAnswer,
        kept: _Kept,
        now_s: float,
        least_interval_s: float,
        body: bytes | None,
    ) -> Fetched:
        expires_s = wish_s(answer.headers.get("expires"), now_s) or 0.0
        after_s = min(max(least_interval_s, expires_s), LONGEST_WAIT_S)
        now_kept = _Kept(
            etag=answer.headers.get("etag", kept.etag if body is None else ""),
            modified=answer.headers.get("last-modified", kept.modified if body is None else ""),
            fetched_s=now_s,
            not_before_s=now_s + after_s,
            reason="",
        )
        if body is not None and not _write(self._file(url, ".body"), body):
            # Without the body the next question must ask for all of it.
            self._remember(url, replace(now_kept, etag="", modified=""))
            return Fetched(FetchState.FRESH, body, now_s, "")
        self._remember(url, now_kept)
        return self._from_cache(url, now_kept)

    def _failed(self, url: str, kept: _Kept, now_s: float, retry_s: float | None, reason: str) -> Fetched:
        """Wait twice as long after each failure, and at least as long as the source asks."""
        wait_s = AGAIN.wait_s(kept.failures + 1, retry_s)
        failed = replace(kept, failures=kept.failures + 1, not_before_s=now_s + wait_s, reason=reason)
        self._remember(url, failed)
        return self._from_cache(url, failed)

    def accept(self, url: str, body: bytes) -> None:
        """The document could be read: keep it for the day when the next one cannot."""
        good = self._file(url, ".good")
        if not good.exists() or good.read_bytes() != body:
            _write(good, body)

    def spoiled(self, url: str, now_s: float, wait_s: float) -> bytes | None:
        """The document could not be read: ask for a whole one, later. Gives the last that could."""
        kept = replace(self._remembered(url), etag="", modified="", not_before_s=now_s + wait_s)
        self._remember(url, kept)
        try:
            return self._file(url, ".good").read_bytes()
        except OSError:
            return None

    def _from_cache(self, url: str, kept: _Kept) -> Fetched:
        try:
            body = self._file(url, ".body").read_bytes()
        except OSError:
            return Fetched(FetchState.MISSING, b"", None, kept.reason or "nothing was fetched yet")
        state = FetchState.KEPT if kept.reason else FetchState.FRESH
        return Fetched(state, body, kept.fetched_s, kept.reason)

    def _file(self, url: str, suffix: str) -> Path:
        return self._folder / (hashlib.sha256(url.encode()).hexdigest()[:32] + suffix)

    def _remembered(self, url: str) -> _Kept:
        if url in self._unwritten:
            return self._unwritten[url]
        try:
            return _Kept(**json.loads(self._file(url, ".json").read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return _Kept()  # no memory, or one of another version: ask anew

    def _remember(self, url: str, kept: _Kept) -> None:
        if _write(self._file(url, ".json"), json.dumps(asdict(kept)).encode()):
            self._unwritten.pop(url, None)
        else:
            self._unwritten[url] = kept


def _write(file: Path, content: bytes) -> bool:
    """Whether it is on the disk; a full one is no reason to go without what was fetched."""
    part = file.with_suffix(file.suffix + ".part")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        part.replace(file)
    except OSError:
        return False
    return True
