"""Reads a settings file with its secrets and reports every fault at once."""

import difflib
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from pydantic import SecretStr, ValidationError

from monitor.model.errors import Fault, InputError
from monitor.model.staff import spelt
from monitor.settings.bounds import fraction_hint, impossible
from monitor.settings.schema import Settings
from monitor.settings.toml_slips import SECRETS, read_toml

FEW = 12  # names that are listed without saying which of them are near
MOST_NEAR = 6
MERE_SIGNS = 2  # a part of a name that is no longer says nothing
NEARLY = 0.75  # of the similarity of two spellings
HANDED_OVER = "secrets_"
SECRET_SIGN = "@"  # a value "@name" is read from the file `name` in the secrets folder


SETTINGS_FILE = "settings file"  # the field of a fault of the file itself


def load(
    path: Path, secrets: Path | None = None, known: Mapping[str, frozenset[str]] | None = None
) -> Settings:
    """The settings in `path`, or an InputError that carries every fault.

    `secrets` is the folder of secret files (default: `secrets` beside the settings file). `known`
    names the reference data that settings may point at: `consumables` and `spools`.
    """
    tree, faults = read_tree(path, secrets)
    settings = None
    spelt: set[str] = set()
    try:
        settings = Settings(**tree)
    except ValidationError as error:
        causes = _causes(error)
        faults += [_fault(item) for item in causes]
        spelt = {_place(item) for item in causes if item["type"] == "string_pattern_mismatch"}
    named = tree if settings is None else settings.model_dump()
    crossing = list(cross_faults(named, known or {}))
    # A name that is spelt as none can be is better told by those that there are.
    better = spelt & {fault.field for fault in crossing}
    faults = [fault for fault in faults if fault.field not in better]
    told = {fault.field for fault in faults}
    faults += [fault for fault in crossing if fault.field not in told]
    if faults or settings is None:
        raise InputError(faults)
    return _paths_beside(settings, path.parent)


def read_tree(path: Path, secrets: Path | None) -> tuple[dict[str, Any], list[Fault]]:
    """A file's tables with the secrets they name, and the faults of these; InputError where it is no TOML."""
    try:
        tree, slips = read_toml(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError([Fault(SETTINGS_FILE, str(path), "no such file; give the path of one")]) from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError([Fault(SETTINGS_FILE, str(path), f"cannot be read: {error}")]) from error
    if slips:
        raise InputError(slips)
    faults: list[Fault] = []
    folder = secrets if secrets is not None else path.parent / "secrets"
    return _with_secrets(tree, folder, "", faults), faults


def faults_in(error: ValidationError) -> list[Fault]:
    """What is wrong, each once, in a shop's words."""
    return [_fault(item) for item in _causes(error)]


def _paths_beside(settings: Settings, folder: Path) -> Settings:
    """Relative paths lie beside the settings file, wherever the service was started."""
    data_dir = (folder / settings.service.data_dir).resolve()
    service = settings.service.model_copy(update={"data_dir": data_dir})
    mqtt = settings.mqtt
    if mqtt.access_dir is not None:
        mqtt = mqtt.model_copy(update={"access_dir": (folder / mqtt.access_dir).resolve()})
    calendars = tuple(
        one.model_copy(update={"source": str((folder / one.source).resolve())})
        if "://" not in one.source
        else one
        for one in settings.calendars
    )
    kept = {
        name: folder.resolve() / place  # joined and not looked at: a share may hang
        for name in ("backup_dir", "archive_dir")
        if (place := getattr(settings.store, name)) is not None
    }
    store = settings.store.model_copy(update=kept)
    return settings.model_copy(
        update={"service": service, "store": store, "mqtt": mqtt, "calendars": calendars}
    )


def _with_secrets(value: Any, folder: Path, place: str, faults: list[Fault]) -> Any:
    if isinstance(value, dict):
        return {k: _with_secrets(v, folder, f"{place}.{k}".lstrip("."), faults) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_secrets(v, folder, f"{place}[{n}]", faults) for n, v in enumerate(value)]
    if isinstance(value, str) and value.startswith(SECRET_SIGN):
        file = _secret_file(folder, value.removeprefix(SECRET_SIGN))
        try:
            secret = file.read_text(encoding="utf-8").strip()
        except OSError as error:
            fix = f"write it into the file {file}, or name the folder of secret files with --secrets"
            faults.append(Fault(place, value, f"the secret file cannot be read ({error.strerror}); {fix}"))
            return value
        if not secret:
            faults.append(Fault(place, value, f"the secret file {file} is empty; write the secret into it"))
        return secret
    return value


def _secret_file(folder: Path, name: str) -> Path:
    """The init system, handed a whole folder as `secrets`, puts that before each name (systemd.exec(5))."""
    handed = folder / f"{HANDED_OVER}{name}"
    return handed if handed.exists() else folder / name


def _shown(value: object) -> str:
    if isinstance(value, SecretStr):
        return "a secret"
    text = value.isoformat() if isinstance(value, datetime | date | time) else repr(value)
    return text if len(text) <= 80 else f"{text[:77]}…"


_WORDS = {
    "string_pattern_mismatch": "use small letters, digits and hyphens, such as gas-cage",
    "time_parsing": "write a time of day like 06:00:00",
    "tuple_type": "is a list of tables; write its heading with two brackets, like [[shifts]]",
    "time_type": "write a time of day like 06:00:00, without quotes",
    "date_from_datetime_parsing": "write a date like 2026-03-02, without quotes",
    "timezone_aware": "write a moment with its offset, its timezone, like 2026-09-07T06:15:00+01:00",
    "too_short": "is empty; name at least one",
}
_GONE = {  # settings that were, with what stands for them
    "shared_device": "is no setting any more; remove it: the errors of one device count like those of two",
}
_IDENTIFIER_PATTERN = "[a-z0-9-]"  # the one pattern that ids have; a topic's says itself what it wants


def _causes(error: ValidationError) -> list[dict[str, Any]]:
    """The faults without those that only follow from another one further inside."""
    items: list[dict[str, Any]] = [dict(item) for item in error.errors()]

    def follows(item: dict[str, Any]) -> bool:
        size = len(item["loc"])
        inside = (o["loc"] for o in items if len(o["loc"]) > size and o["loc"][:size] == item["loc"])
        return item["type"] == "too_short" and next(inside, None) is not None

    return [item for item in items if not follows(item)]


def _place(item: dict[str, Any]) -> str:
    return "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in item["loc"]).lstrip(".")


def _fault(item: dict[str, Any]) -> Fault:
    place = _place(item)
    if item["type"] == "missing":
        return Fault(place, "nothing", "is needed; add it")
    if item["type"] == "extra_forbidden":
        gone = _GONE.get(str(item["loc"][-1]), "is not a setting; remove it or correct its spelling")
        return Fault(place, _shown(item["input"]), gone)
    hidden = any(name in str(item["loc"][-1]) for name in SECRETS) if item["loc"] else True
    found = "a secret" if hidden and not isinstance(item["input"], dict) else _shown(item["input"])
    return Fault(place or "settings", found, _fix(item))


def _fix(item: dict[str, Any]) -> str:
    """What would be right, in words that need no programmer."""
    said = str(item["msg"]).removeprefix("Value error, ")
    if item["type"] == "string_pattern_mismatch" and _IDENTIFIER_PATTERN not in said:
        return said
    least = item.get("ctx", {}).get("min_length", 0)
    if item["type"] == "too_short" and least > 1:
        return f"is too short for a key; use at least {least} signs, as `openssl rand -hex {least}` prints"
    words = _WORDS.get(item["type"], said.replace("Input should be", "should be"))
    found = item["input"]
    if item["type"] in {"float_parsing", "int_parsing"} and _is_comma_number(found):
        return f"has a decimal comma; write {found.replace(',', '.')}, with a point and without quotes"
    return words + fraction_hint(_place(item), found)


def _is_comma_number(found: object) -> bool:
    whole, comma, part = found.strip().partition(",") if isinstance(found, str) else ("", "", "")
    return bool(comma) and whole.lstrip("+-").isdigit() and part.isdigit()


def cross_faults(tree: Mapping[str, Any], known: Mapping[str, frozenset[str]]) -> Iterator[Fault]:
    """Faults that only show when the parts are read together: doubled ids and dangling references.

    `tree` is the settings as plain tables; what is not as it should be there is another fault's business.
    """
    yield from _doubled(tree)
    yield from _spelt_alike(tree)
    yield from _without_place(tree)
    yield from _out_of_reach(tree)
    yield from _not_mailed(tree)
    yield from impossible(tree)
    ids: dict[str, frozenset[str]] = {
        "site": _ids(tree, "sites"),
        "zone": _ids(tree, "zones"),
        "body": _ids(tree, "cylinders") | _ids(tree, "plates"),
        "person": _ids(tree, "people"),
        "channel": _ids(tree, "channels"),
        **known,
    }
    for section, field, kind in _REFERENCES:
        if kind not in ids:
            continue
        for n, item in _tables(tree, section):
            for where, one in _named(item.get(field)):
                if isinstance(one, str):
                    yield from _dangling(f"{section}[{n}].{field}{where}", one, ids[kind])


def _without_place(tree: Mapping[str, Any]) -> Iterator[Fault]:
    """Forecasts asked for a site that does not say where it lies."""
    sites = {item.get("id"): item for _, item in _tables(tree, "sites")}
    for n, item in _tables(tree, "weather"):
        site = sites.get(item.get("site"))
        asked = item.get("provider", "none")
        if site is None or asked == "none":
            continue
        if site.get("latitude_deg") is None or site.get("longitude_deg") is None:
            fix = f"needs latitude_deg and longitude_deg of the site {item.get('site')}; add them"
            yield Fault(f"weather[{n}].provider", repr(asked), fix)


def _out_of_reach(tree: Mapping[str, Any]) -> Iterator[Fault]:
    """People on call whom nothing reaches: their warnings would go nowhere."""
    mute = {item.get("id") for _, item in _tables(tree, "people") if not item.get("channels")}
    for n, item in _tables(tree, "on_call"):
        for field in ("steps", "by_shift"):
            for where, one in _named(item.get(field)):
                if isinstance(one, str) and one in mute:
                    fix = "is on call but has no channels: nothing would reach them; give them one"
                    yield Fault(f"on_call[{n}].{field}{where}", repr(one), fix)


def _not_mailed(tree: Mapping[str, Any]) -> Iterator[Fault]:
    """Channels that the record of the week cannot be mailed to."""
    record = tree.get("record", {})
    mails = sorted(
        str(item.get("id")) for _, item in _tables(tree, "channels") if item.get("kind") == "email"
    )
    wanted = record.get("mail_to", ()) if isinstance(record, Mapping) else ()
    for n, one in enumerate(wanted if isinstance(wanted, list | tuple) else ()):
        if one not in mails:
            fix = f"is no channel of kind email; use one of: {', '.join(mails) or 'none is defined'}"
            yield Fault(f"record.mail_to[{n}]", repr(one), fix)


def _tables(tree: Mapping[str, Any], section: str) -> list[tuple[int, Mapping[str, Any]]]:
    found = tree.get(section, ())
    if not isinstance(found, list | tuple):
        return []
    return [(n, item) for n, item in enumerate(found) if isinstance(item, Mapping)]


def _ids(tree: Mapping[str, Any], section: str) -> frozenset[str]:
    return frozenset(str(item["id"]) for _, item in _tables(tree, section) if "id" in item)


def _named(value: Any) -> Iterator[tuple[str, Any]]:
    """What a setting points at, with its place where it points at several."""
    if isinstance(value, list | tuple):
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
    ("packages", "oven", "zone"),
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
    ("weather", "provider", "providers"),
)


def _dangling(place: str, value: str, known: frozenset[str]) -> Iterator[Fault]:
    if value not in known:
        choices = ", ".join(sorted(known)) or "none is defined"
        near = ", ".join(_near(value, known))
        first = f"near it: {near}; " if near and len(known) > FEW else ""
        yield Fault(place, repr(value), f"names nothing that exists; {first}use one of: {choices}")


def _near(value: str, known: frozenset[str]) -> list[str]:
    """Names that begin with a part of a wrong one, or are spelt nearly like it."""
    written = re.sub(r"[^a-z0-9]+", "-", value.lower())
    parts = {part for part in written.split("-") if len(part) > MERE_SIGNS}
    alike = difflib.get_close_matches(written, sorted(known), MOST_NEAR, NEARLY)
    sharing = [name for name in sorted(known) if name.partition("-")[0] in parts]
    return list(dict.fromkeys((*alike, *sharing)))[:MOST_NEAR]


_OWN_IDS = {
    "sites": ("sites",),
    "zones": ("zones",),
    "sensors": ("sensors",),
    "cylinders, plates and packages": ("cylinders", "plates", "packages"),
    "people": ("people",),
    "channels": ("channels",),
    "programs": ("programs",),
}


def _doubled(tree: Mapping[str, Any]) -> Iterator[Fault]:
    for name, sections in _OWN_IDS.items():
        items = [item for section in sections for _, item in _tables(tree, section)]
        for value, count in Counter(str(item["id"]) for item in items if "id" in item).items():
            if count > 1:
                yield Fault(name, repr(value), f"is used {count} times; every id is used once")


def _spelt_alike(tree: Mapping[str, Any]) -> Iterator[Fault]:
    """Two people whom one name means, be it small or large: nobody could say who of them it was."""
    meant: dict[str, Any] = {}
    for n, item in _tables(tree, "people"):
        for field in ("name", "id"):
            who, said = item.get("id"), item.get(field)
            if isinstance(said, str) and meant.setdefault(spelt(said), who) != who:
                fix = f"also means {meant[spelt(said)]}; give each of them a name of their own"
                yield Fault(f"people[{n}].{field}", repr(said), fix)
