"""The key that signs links and forms, which outlives a restart."""

import secrets

from monitor.model.errors import Fault, InputError
from monitor.settings.schema import Settings
from monitor.store.private import private_file, write_private

KEY_FILE = "link.key"
KEY_BYTES = 32


def link_key(settings: Settings) -> bytes:
    """The key that signs links and forms: from the settings, else made once and kept beside the data.

    InputError where the kept one is too short to be one: what it signed could be forged.
    """
    if settings.service.secret_key is not None:
        return settings.service.secret_key.get_secret_value().encode()
    file = settings.service.data_dir / KEY_FILE
    if not file.exists():
        write_private(file, secrets.token_bytes(KEY_BYTES))
    private_file(file)
    key = file.read_bytes()
    if len(key) < KEY_BYTES:
        fix = f"holds {len(key)} bytes and is no key; remove it, and links sent until now do nothing"
        raise InputError([Fault("signing key", str(file), fix)])
    return key
