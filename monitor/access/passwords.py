"""Hashes passwords and PINs (argon2id), one at a time, so that log-ins cannot use up processor and memory."""

import hashlib
import hmac
import secrets
import threading
import unicodedata
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise

from monitor.access.access_rules import AccessRules
from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.wire.apart import ApartError, ask_apart

_JUDGED_S = 20.0
_PIN_KEY = b"dryshift PIN, version 1"


class BusyError(DryshiftError):
    """Too many wait for their log-in to be checked."""


class _Argon:
    """Argon2id; its library is loaded with the first log-in."""

    def __init__(self, rules: AccessRules) -> None:
        import argon2

        kind = argon2.Type.ID
        self._with = argon2.PasswordHasher(rules.passes, rules.memory, parallelism=1, type=kind)
        self._wrong = argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError

    def hash(self, plain: str) -> str:
        """A new salt each time."""
        return self._with.hash(plain)

    def verify(self, kept: str, plain: str) -> bool:
        """Whether it is that one."""
        try:
            return self._with.verify(kept, plain)
        except self._wrong:
            return False


class Passwords:
    """One hash at a time; of each sort of caller (`lane`) so many wait, so none crowds out another."""

    def __init__(self, rules: AccessRules, key: bytes) -> None:
        self._rules = rules
        self._pin_key = hmac.digest(key, _PIN_KEY, hashlib.sha256)
        self._turn = threading.Lock()
        self._count = threading.Lock()
        self._waiting: Counter[str] = Counter()
        self._nobodys = ""  # what an unknown name is held against; made with the first log-in

    def hashed(self, password: str, lane: str = "new") -> str:
        """What is kept of a password."""
        with self._my_turn(lane) as hasher:
            return hasher.hash(_plain(password))

    def hold(self, kept: str | None, password: str, lane: str) -> bool:
        """Whether it is the password kept; where none is kept it takes as long and is wrong. BusyError."""
        tried = _plain(password[: self._rules.password_longest + 1])
        with self._my_turn(lane) as hasher:
            self._nobodys = self._nobodys or hasher.hash(secrets.token_urlsafe())
            return hasher.verify(kept or self._nobodys, tried) and kept is not None

    def pin(self, person: str, pin: str) -> str:
        """What is hashed of a PIN: it is too short to be kept without the service's own key."""
        return hmac.digest(self._pin_key, f"{person} {pin}".encode(), hashlib.sha256).hex()

    @contextmanager
    def _my_turn(self, lane: str) -> Iterator["_Argon"]:
        with self._count:
            if self._waiting[lane] >= self._rules.waiting:
                raise BusyError("many log in at this moment; try again in a few seconds")
            self._waiting[lane] += 1
        try:
            with self._turn:
                yield _Argon(self._rules)
        finally:
            with self._count:
                self._waiting[lane] -= 1


def check_password(rules: AccessRules, password: str, of: Sequence[str]) -> None:
    """Refuse (InputError) what is too short, too long or soon guessed; `of` are words that strangers try."""
    if not rules.password_shortest <= len(_plain(password)) <= rules.password_longest:
        fix = (
            f"use {rules.password_shortest} to {rules.password_longest} signs; four words that go nowhere do"
        )
        raise InputError([Fault("password", "not shown", fix)])
    left = "".join(_plain(password).casefold().split())
    for word in of:
        left = left.replace(word.casefold(), "")
    if len(left) < rules.password_shortest // 2:
        fix = "is little more than names that stand on these pages; use other words"
        raise InputError([Fault("password", "not shown", fix)])
    try:
        said = ask_apart(
            "monitor.access.strength_apart", {"password": _plain(password), "of": list(of)}, _JUDGED_S
        )
    except ApartError as error:
        fix = f"could not be weighed now ({error}); try again"
        raise InputError([Fault("password", "not shown", fix)]) from error
    if said["score"] < rules.password_strength:
        fix = "is soon guessed; use other words, or one more"
        raise InputError([Fault("password", "not shown", fix)])


def check_pin(rules: AccessRules, pin: str) -> None:
    """Refuse (InputError) a PIN that is no row of digits, or the first that anybody tries."""
    if not (pin.isascii() and pin.isdigit() and rules.pin_shortest <= len(pin) <= rules.pin_longest):
        fix = f"use {rules.pin_shortest} to {rules.pin_longest} digits"
        raise InputError([Fault("pin", "not shown", fix)])
    steps = {(int(later) - int(one)) % 10 for one, later in pairwise(pin)}
    repeats = len(pin) % 2 == 0 and pin[: len(pin) // 2] == pin[len(pin) // 2 :]
    if len(steps) == 1 or repeats or (len(pin) == 4 and pin[:2] in ("19", "20")):
        fix = "is one of the first that anybody tries (a row, a repeat or a year); use another"
        raise InputError([Fault("pin", "not shown", fix)])


def _plain(password: str) -> str:
    """One spelling of the same signs, whatever keyboard they come from (NIST SP 800-63B)."""
    return unicodedata.normalize("NFKC", password)
