"""The answers of the first set-up, written as a settings file with its secrets."""

import base64
import json
import secrets
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

from monitor.cli.setup_questions import AMERICAN, MAIL, PUSH, Answers, slug
from monitor.model.errors import Fault, InputError
from monitor.settings.reference import load_toml

SITE = "works"
PAGES_PORT = 8480
COMMIT_S = 1.0  # two thirds of what 0.25 writes to a card, and a warning at most a second later
HEAD = """# Written by `dryshift setup`. shop.example.toml explains every setting there is;
# `dryshift check` names every fault of this file at once. Secrets lie beside it: "@name" is the file
# secrets/name.
"""


def settings_text(
    answers: Answers, data_dir: str, folder: str, broker_files: str
) -> tuple[str, dict[str, str]]:
    """The settings file, and what its secret files hold, by name; InputError where answers contradict."""
    kept: dict[str, str] = {}
    parts = [HEAD]
    for lines in (
        _service(answers, data_dir),
        _broker(answers, folder, broker_files, kept),
        _pages(answers),
        _places(answers),
        _things(answers),
        _shifts(answers),
        _people(answers, kept),
        _weather(answers),
    ):
        parts.append("\n".join(lines))
    return "\n".join(parts) + "\n", kept


def _line(name: str, value: Any) -> str:
    """A setting; TOML's strings, numbers and lists are JSON's."""
    if isinstance(value, tuple):
        value = list(value)
    return f"{name} = {json.dumps(value, ensure_ascii=False)}"


def _table(heading: str, /, **values: Any) -> list[str]:
    return ["", heading, *(_line(key, value) for key, value in values.items() if value is not None)]


def _service(answers: Answers, data_dir: str) -> list[str]:
    return _table("[service]", data_dir=data_dir) + _table(
        "[limits]", seismic_work=bool(answers.get("seismic", False))
    )


def _broker(answers: Answers, folder: str, broker_files: str, kept: dict[str, str]) -> list[str]:
    kept["broker-password"] = secrets.token_urlsafe(24)
    login = {"username": "dryshift", "password": "@broker-password"}
    if answers["broker"] == "embedded":
        return _table(
            "[mqtt]", broker="embedded", host="0.0.0.0", port=1883, port_311=1884, commit_s=COMMIT_S, **login
        )
    kept["broker-check-password"] = secrets.token_urlsafe(24)
    return _table(
        "[mqtt]",
        broker="external",
        host="127.0.0.1",
        port=8883,
        commit_s=COMMIT_S,
        **login,
        check_username="dryshift-check",
        check_password="@broker-check-password",
        ca_file=f"{folder}/ca.crt",
        access_dir=broker_files,
        sensors_dial=urlsplit(answers["address"]).hostname,
    )


def _pages(answers: Answers) -> list[str]:
    port = urlsplit(answers["address"]).port
    return _table(
        "[web]",
        host="0.0.0.0",
        port=port if port is not None else PAGES_PORT,
        public_url=answers["address"],
        hosts=list(answers.get("hosts", ())) or None,
        temperature_unit=answers["temperature"],
        units="us" if answers["temperature"] == "F" else "metric",
        language=answers["language"],
    ) + _table("[record]", paper="letter" if answers["code"] in AMERICAN else "a4")


def _places(answers: Answers) -> list[str]:
    where = answers.get("forecast") or (None, None)
    lines = _table(
        "[[sites]]",
        id=SITE,
        name=answers["name"],
        timezone=answers["timezone"],
        latitude_deg=where[0],
        longitude_deg=where[1],
    )
    found: dict[str, str] = {}
    for name, kind in answers["places"]:
        if slug(name) in found:
            raise InputError(
                [Fault("places", name, f"is written like {found[slug(name)]}; name it otherwise")]
            )
        found[slug(name)] = name
        lines += _table("[[zones]]", id=slug(name), site=SITE, name=name, kind=kind)
        lines += _sensor(f"{slug(name)}-1", slug(name), damp=True)
    if answers.get("oven"):
        oven = answers["oven"]
        care = load_toml("consumables.toml")["care"]["low-hydrogen-electrode"]
        least = care["oven_min"]["value"]
        lines += _table(
            "[[zones]]", id=slug(oven), site=SITE, name=oven, kind="oven", min_temperature_c=least
        )
        lines += _sensor(f"{slug(oven)}-1", slug(oven), damp=False)
    return lines


def _sensor(name: str, zone: str, *, damp: bool) -> list[str]:
    measures = [("air_temperature_c", "Cel"), *([("relative_humidity_frac", "%RH")] if damp else [])]
    lines = _table("[[sensors]]", id=name, zone=zone)
    for quantity, unit in measures:
        lines += ["[[sensors.measures]]", _line("quantity", quantity), _line("unit", unit)]
    return lines


def _things(answers: Answers) -> list[str]:
    known = {slug(name) for name, _ in answers["places"]}
    lines: list[str] = []
    for kind, rows in (("steel", answers.get("steel", ())), ("gas", answers.get("gas", ()))):
        for number, (zone, _) in enumerate(rows):
            if slug(zone) not in known:
                fix = f"is none of the places; use one of: {', '.join(name for name, _ in answers['places'])}"
                raise InputError([Fault(f"{kind}[{number}]", zone, fix)])
    for number, (zone, metres) in enumerate(answers.get("steel", ()), 1):
        lines += _table(
            "[[plates]]",
            id=f"steel-{number}",
            zone=slug(zone),
            name=f"{zone}, {metres * 1000:g} mm",
            thickness_m=metres,
        )
    for number, (zone, kind) in enumerate(answers.get("gas", ()), 1):
        lines += _table("[[cylinders]]", id=f"cylinder-{number}", zone=slug(zone), name=zone, gas=kind)
    return lines


def _shifts(answers: Answers) -> list[str]:
    lines: list[str] = []
    for name, days, start, end in answers["shifts"]:
        lines += [*_table("[[shifts]]", site=SITE, name=name, days=days), f"start = {start}", f"end = {end}"]
    return lines


def _people(answers: Answers, kept: dict[str, str]) -> list[str]:
    people = [(slug(name), name, kind, address) for name, kind, address in answers["people"]]
    lines: list[str] = []
    for number, (id_, name, _, _) in enumerate(people):
        if id_ in {one[0] for one in people[:number]}:
            raise InputError(
                [Fault(f"people[{number}]", name, "is named twice; give each a name of their own")]
            )
        lines += _table("[[people]]", id=id_, name=name, role="lead", channels=[f"{id_}-phone"])
    lines += _table("[[on_call]]", site=SITE, steps=[one[0] for one in people])
    for id_, _, kind, address in people:
        lines += _table(
            "[[channels]]", id=f"{id_}-phone", **dict(_channel(answers, id_, kind, address, kept))
        )
    return lines


def _channel(
    answers: Answers, who: str, kind: str, address: str, kept: dict[str, str]
) -> Iterator[tuple[str, Any]]:
    if kind == PUSH:
        kept[f"{who}-push"] = address
        yield from (("kind", "push"), ("push_url", f"@{who}-push"))
    elif kind == MAIL:
        yield from (("kind", "email"), ("url", answers["mail_server"]), ("sender", answers["mail_from"]))
        yield "to", [address]
        if answers.get("mail_user"):
            kept["mail-password"] = answers.get("mail_password", "")
            yield from (("username", answers["mail_user"]), ("password", "@mail-password"))
    else:
        kept[f"{who}-web"] = "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()
        yield from (("kind", "webhook"), ("url", address), ("secret", f"@{who}-web"))


def _weather(answers: Answers) -> list[str]:
    if not answers.get("forecast"):
        return []
    contact = answers.get("mail_from")
    provider = load_toml("weather/providers.toml")["provider"][0]["id"]
    return _table("[[weather]]", site=SITE, provider=provider, contact=contact)
