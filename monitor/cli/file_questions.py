"""Whether the user who asks may read and write what the settings name, as the service will have to."""

import os
import ssl
from collections.abc import Iterator
from pathlib import Path

from monitor.model.errors import Fault
from monitor.settings.schema import Settings

_DATABASES = "*.sqlite*"


def unusable_files(settings: Settings) -> Iterator[Fault]:
    """Certificates that this very user cannot use, and folders and databases that it cannot write."""
    mqtt = settings.mqtt
    yield from _authority("mqtt.ca_file", mqtt.ca_file)
    yield from _own_certificate("mqtt.cert_file, key_file", mqtt.cert_file, mqtt.key_file)
    for number, channel in enumerate(settings.channels):
        yield from _authority(f"channels[{number}].ca_file", channel.ca_file)
    yield from _folder("service.data_dir", settings.service.data_dir)
    yield from _folder("store.backup_dir", settings.store.backup_dir)
    yield from _folder("store.archive_dir", settings.store.archive_dir)
    data = settings.service.data_dir
    if data.is_dir() and os.access(data, os.R_OK | os.X_OK, effective_ids=True):
        for file in sorted(data.glob(_DATABASES)):
            if not os.access(file, os.R_OK | os.W_OK, effective_ids=True):
                fix = (
                    "belongs to somebody else: give it to the service's user (chown -R), which keeps the data"
                )
                yield Fault("service.data_dir", str(file), fix)


def _authority(place: str, file: Path | None) -> Iterator[Fault]:
    if file is not None:
        try:
            ssl.create_default_context(cafile=file)
        except (OSError, ValueError) as error:  # of TLS too
            yield _certificate(place, str(file), error)


def _own_certificate(place: str, file: Path | None, key: Path | None) -> Iterator[Fault]:
    if file is not None:
        try:
            ssl.create_default_context().load_cert_chain(file, key)
        except (OSError, ValueError) as error:
            yield _certificate(place, ", ".join(str(one) for one in (file, key) if one), error)


def _certificate(place: str, found: str, error: Exception) -> Fault:
    said = getattr(error, "strerror", None) or str(error)
    return Fault(place, found, f"cannot be used by {_user()} ({said}); name a file in PEM that it may read")


def _folder(place: str, folder: Path | None) -> Iterator[Fault]:
    """What is not there yet is made, so the nearest folder above must let us."""
    if folder is None:
        return
    there = next(one for one in (folder, *folder.parents) if one.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK, effective_ids=True):
        made = "" if there == folder else f", since {there} cannot be written"
        fix = f"cannot be written by {_user()}{made}; make it and give it to the service's user"
        yield Fault(place, str(folder), fix)


def _user() -> str:
    return f"user {os.geteuid()}"
