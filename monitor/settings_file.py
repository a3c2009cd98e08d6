"""Reads a settings file with its secrets and reports every fault at once."""

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from pydantic import SecretStr, ValidationError

from monitor.errors import Fault, InputError
from monitor.settings import Settings

SECRET_SIGN = "@"  # a value "@name" is read from the file `name` in the secrets folder


def load(
    path: Path, secrets: Path | None = None, known: Mapping[str, frozenset[str]] | None = None
) -> Settings:
    """The settings in `path`, or an InputError that carries every fault.

    `secrets` is the folder of secret files (default: `secrets` beside the settings file). `known`
    names the reference data that settings may point at: `consumables` and `spools`.
    """
    try:
        tree = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError([Fault("settings file", str(path), "no such file; give the path of one")]) from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError([Fault("settings file", str(path), f"cannot be read: {error}")]) from error
    except tomllib.TOMLDecodeError as error:
        raise InputError([Fault("settings file", str(path), f"is not TOML: {error}")]) from error
    faults: list[Fault] = []
    folder = secrets if secrets is not None else path.parent / "secrets"
    tree = _with_secrets(tree, folder, "", faults)
    settings = None
    try:
        settings = Settings(**tree)
    except ValidationError as error:
        faults += [_fault(dict(item)) for item in error.errors()]
    if settings is not None:
        faults += list(cross_faults(settings, known or {}))
    if faults or settings is None:
        raise InputError(faults)
    return _paths_beside(settings, path.parent)


def _paths_beside(settings: Settings, folder: Path) -> Settings:
    """Relative paths lie beside the settings file, wherever the service was started."""
    data_dir = (folder / settings.service.data_dir).resolve()
    service = settings.service.model_copy(update={"data_dir": data_dir})
    calendars = tuple(
        one.model_copy(update={"source": str((folder / one.source).resolve())})
        if "://" not in one.source
        else one
        for one in settings.calendars
    )
    return settings.model_copy(update={"service": service, "calendars": calendars})


def _with_secrets(value: Any, folder: Path, place: str, faults: list[Fault]) -> Any:
    if isinstance(value, dict):
        return {k: _with_secrets(v, folder, f"{place}.{k}".lstrip("."), faults) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_secrets(v, folder, f"{place}[{n}]", faults) for n, v in enumerate(value)]
    if isinstance(value, str) and value.startswith(SECRET_SIGN):
        file = folder / value.removeprefix(SECRET_SIGN)
        try:
            return file.read_text(encoding="utf-8").strip()
        except OSError as error:
            faults.append(Fault(place, value, f"the secret file {file} cannot be read: {error.strerror}"))
    return value


def _shown(value: object) -> str:
    if isinstance(value, SecretStr):
        return "a secret"
    text = value.isoformat() if isinstance(value, datetime | date | time) else repr(value)
    return text if len(text) <= 80 else f"{text[:77]}…"


_SECRET_NAMES = ("password", "token", "secret", "secret_key", "push_url", "ledger_url")


def _fault(item: dict[str, Any]) -> Fault:
    place = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in item["loc"]).lstrip(".")
    if item["type"] == "missing":
        return Fault(place, "nothing", "is needed; add it")
    if item["type"] == "extra_forbidden":
        return Fault(place, _shown(item["input"]), "is not a setting; remove it or correct its spelling")
    hidden = any(name in str(item["loc"][-1]) for name in _SECRET_NAMES) if item["loc"] else True
    found = "a secret" if hidden and not isinstance(item["input"], dict) else _shown(item["input"])
    return Fault(place or "settings", found, item["msg"].removeprefix("Value error, "))


def cross_faults(settings: Settings, known: Mapping[str, frozenset[str]]) -> Iterator[Fault]:
    """Faults that only show when the parts are read together: doubled ids and dangling references."""
    yield from _doubled(settings)
    ids: dict[str, frozenset[str]] = {
        "site": frozenset(site.id for site in settings.sites),
        "zone": frozenset(zone.id for zone in settings.zones),
        "body": frozenset({c.id for c in settings.cylinders} | {p.id for p in settings.plates}),
        "person": frozenset(person.id for person in settings.people),
        "channel": frozenset(channel.id for channel in settings.channels),
        **known,
    }
    for section, field, kind in _REFERENCES:
        if kind not in ids:
            continue
        for n, item in enumerate(getattr(settings, section)):
            for where, one in _named(getattr(item, field)):
                yield from _dangling(f"{section}[{n}].{field}{where}", one, ids[kind])


def _named(value: Any) -> Iterator[tuple[str, str | None]]:
    """What a setting points at, with its place where it points at several."""
    if isinstance(value, tuple):
        yield from ((f"[{n}]", one) for n, one in enumerate(value))
    elif isinstance(value, dict):
        yield from ((f".{name}", one) for name, one in value.items())
    else:
        yield "", value


_REFERENCES = (
    ("zones", "site", "site"),
    ("zones", "stands_in", "zone"),
    ("shifts", "site", "site"),
    ("calendars", "site", "site"),
    ("on_call", "site", "site"),
    ("weather", "site", "site"),
    ("sensors", "zone", "zone"),
    ("cylinders", "zone", "zone"),
    ("plates", "zone", "zone"),
    ("packages", "zone", "zone"),
    ("weather", "outdoor_zone", "zone"),
    ("cylinders", "work_zone", "zone"),
    ("plates", "work_zone", "zone"),
    ("sensors", "body", "body"),
    ("people", "channels", "channel"),
    ("on_call", "steps", "person"),
    ("on_call", "by_shift", "person"),
    ("channels", "fallback", "channel"),
    ("packages", "consumable", "consumables"),
    ("packages", "spool", "spools"),
    ("shop_rules", "consumable", "consumables"),
)


def _dangling(place: str, value: str | None, known: frozenset[str]) -> Iterator[Fault]:
    if value is not None and value not in known:
        choices = ", ".join(sorted(known)) or "none is defined"
        yield Fault(place, repr(value), f"names nothing that exists; use one of: {choices}")


def _doubled(settings: Settings) -> Iterator[Fault]:
    groups: dict[str, tuple[Any, ...]] = {
        "sites": settings.sites,
        "zones": settings.zones,
        "sensors": settings.sensors,
        "cylinders, plates and packages": (*settings.cylinders, *settings.plates, *settings.packages),
        "people": settings.people,
        "channels": settings.channels,
    }
    for name, items in groups.items():
        counted = Counter(item.id for item in items)
        for value, count in counted.items():
            if count > 1:
                yield Fault(name, repr(value), f"is used {count} times; every id is used once")
