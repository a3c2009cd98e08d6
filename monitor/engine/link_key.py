"""The key that signs links and forms, which outlives a restart."""

import secrets

from monitor.model.errors import Fault, InputError
from monitor.settings.schema import Settings
from monitor.store.kept_beside import Beside

KEY_FILE = "link.key"
KEY_BYTES = 32


def link_key(settings: Settings, beside: Beside) -> bytes:
    """The key that signs links and forms: from the settings, else made once and kept beside the record.

    InputError where the kept one is too short to be one: what it signed could be forged.
    """
    if settings.service.secret_key is not None:
        return settings.service.secret_key.get_secret_value().encode()
    return kept_key(beside)


def kept_key(beside: Beside) -> bytes:
    """The one that is kept, made now where there is none."""
    key = beside.key(KEY_FILE, lambda: secrets.token_bytes(KEY_BYTES))
    if len(key) < KEY_BYTES:
        fix = f"holds {len(key)} bytes and is no key; remove it, and links sent until now do nothing"
        raise InputError([Fault("signing key", beside.place(KEY_FILE), fix)])
    return key
