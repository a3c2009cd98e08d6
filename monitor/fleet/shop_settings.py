"""A shop's settings as they are in a fleet: the ledger in the common database, the pages on any port."""

import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from os.path import normpath
from pathlib import Path
from typing import Any

from pydantic import SecretStr

from monitor.model.errors import Fault, InputError
from monitor.settings.fleet_file import SHOP_PATH, FleetSettings
from monitor.settings.schema import MqttSection, Settings


def in_fleet(settings: Settings, fleet: FleetSettings, shop: str, ledger_url: str) -> Settings:
    """InputError for a broker that would end with the machine: the sensors could not follow."""
    if settings.mqtt.broker == "embedded":
        fix = 'is no broker that every worker and sensor reaches; set it to "external"'
        raise InputError([Fault("mqtt.broker", "embedded", fix)])
    web, base = settings.web, fleet.web.public_url
    told = web.public_url or (None if base is None else f"{base.rstrip('/')}{SHOP_PATH}{shop}")
    pages = {"port": 0, "public_url": told, "cookie_mark": shop}
    store = settings.store.model_copy(update={"ledger_url": SecretStr(ledger_url)})
    return settings.model_copy(update={"store": store, "web": web.model_copy(update=pages)})


Owned = Mapping[str, tuple[str, str]]  # by field: where it must be nobody else's, and what it is


class Neighbours:
    """What no two shops may share; a file that was changed is read again."""

    def __init__(self, shops: Mapping[str, Path]) -> None:
        self._shops = shops
        self._seen: dict[str, tuple[float, Owned]] = {}

    def refused(self) -> dict[str, str]:
        """By shop, why it cannot be run beside another.

        It would judge what the other's sensors say, or make the other's copies go.
        """
        owns = {shop: self._owns(shop, file) for shop, file in self._shops.items()}
        taken: dict[tuple[str, str, str], list[str]] = defaultdict(list)
        for shop, mine in owns.items():
            for field, (where, value) in mine.items():
                taken[field, where, value].append(shop)
        said = {shop: "; ".join(_shared(shop, mine, taken)) for shop, mine in owns.items()}
        return {shop: why for shop, why in said.items() if why}

    def _owns(self, shop: str, file: Path) -> Owned:
        try:
            changed_s = file.stat().st_mtime
            if shop not in self._seen or self._seen[shop][0] != changed_s:
                self._seen[shop] = changed_s, _own(tomllib.loads(file.read_text(encoding="utf-8")), file)
        except (OSError, ValueError):
            return {}  # its own process says what is wrong with the file
        return self._seen[shop][1]


def _own(tree: Mapping[str, Any], file: Path) -> Owned:
    usual = MqttSection()
    mqtt, service, store = (tree.get(name, {}) for name in ("mqtt", "service", "store"))
    broker = f"{mqtt.get('host', usual.host)}:{mqtt.get('port', usual.port)}"
    # in one folder the backups of one make those of another go, and its months take their names
    folders = {
        f"store.{name}": ("", normpath(file.parent.absolute() / str(store[name])))  # a share is not touched
        for name in ("backup_dir", "archive_dir")
        if name in store
    }
    return {
        **folders,
        "mqtt.client_id": (broker, str(mqtt.get("client_id", usual.client_id))),
        "mqtt.topic_root": (broker, str(mqtt.get("topic_root", usual.topic_root))),
        "service.data_dir": ("", str((file.parent / str(service.get("data_dir", "var"))).resolve())),
    }


def _shared(shop: str, mine: Owned, taken: Mapping[tuple[str, str, str], list[str]]) -> Iterator[str]:
    for field, (where, value) in mine.items():
        others = [one for one in taken[field, where, value] if one != shop]
        if field == "mqtt.topic_root":  # "a" hears all of "a/b"
            parts = value.split("/")
            above = ("/".join(parts[:n]) for n in range(1, len(parts)))
            others += [one for root in above for one in taken.get((field, where, root), ())]
        if others:
            yield f"{field} {value} is also that of shop {others[0]}; give each its own"
