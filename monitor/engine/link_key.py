"""The key that signs links and forms, which outlives a restart."""

import secrets

from monitor.settings.schema import Settings

KEY_FILE = "link.key"


def link_key(settings: Settings) -> bytes:
    """The key that signs links and forms: from the settings, else made once and kept beside the data."""
    if settings.service.secret_key is not None:
        return settings.service.secret_key.get_secret_value().encode()
    file = settings.service.data_dir / KEY_FILE
    if not file.exists():
        file.touch(mode=0o600)
        file.write_bytes(secrets.token_bytes(32))
    return file.read_bytes()
