"""Mosquitto's password file: a log-in a line, with a salted PBKDF2-HMAC-SHA512 hash of its password."""

import base64
import binascii
import hashlib
import hmac
import secrets
from collections.abc import Mapping

from monitor.model.errors import Fault, InputError

SCHEME = "7"  # PBKDF2-HMAC-SHA512 in mosquitto_passwd(1)
# What mosquitto_passwd writes itself. Passwords made here are random, so that more rounds add nothing, and a
# small board counts them at every connection.
ROUNDS = 101
MOST_ROUNDS = 1_000_000  # a file that asks for more is not ours
SALT_BYTES = 12
PASSWORD_BYTES = 24  # 192 bits of chance


def new_password() -> str:
    """A random one, of letters, digits, hyphens and underscores."""
    return secrets.token_urlsafe(PASSWORD_BYTES)


def hashed(password: str) -> str:
    """What stands after the colon for a password."""
    salt = secrets.token_bytes(SALT_BYTES)
    told = (base64.b64encode(part).decode() for part in (salt, _derived(password, salt, ROUNDS)))
    return f"${SCHEME}${ROUNDS}${'$'.join(told)}"


def is_password(password: str, said: str) -> bool:
    """Whether a password is the one a line's hash was made of; a hash that cannot be read is of none."""
    parts = said.split("$")
    if len(parts) != 5 or parts[0] or parts[1] != SCHEME or not parts[2].isdecimal():
        return False
    rounds = int(parts[2])
    try:
        salt, wanted = (base64.b64decode(part, validate=True) for part in parts[3:])
    except (binascii.Error, ValueError):
        return False
    return 1 <= rounds <= MOST_ROUNDS and hmac.compare_digest(_derived(password, salt, rounds), wanted)


def _derived(password: str, salt: bytes, rounds: int) -> bytes:
    return hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)


def read_passwords(text: str) -> dict[str, str]:
    """By log-in, what stands after the colon."""
    lines = (line.strip() for line in text.splitlines())
    return {
        login: said
        for login, colon, said in (line.partition(":") for line in lines if line and line[0] != "#")
        if colon
    }


def written_passwords(hashes: Mapping[str, str]) -> str:
    """The file's text."""
    for login in hashes:
        if ":" in login or not login.isprintable():
            raise InputError([Fault("log-in", repr(login), "may hold no colon and no control sign")])
    return "".join(f"{login}:{said}\n" for login, said in sorted(hashes.items()))
