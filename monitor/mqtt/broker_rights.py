"""What each log-in needs at the broker, from the settings: the service, its questions, sensors, lamps."""

from collections.abc import Iterable, Iterator

from monitor.model.errors import Fault
from monitor.mqtt.access_list import READ, WRITE, AccessList, Rights
from monitor.mqtt.sensor_topics import sensor_topic
from monitor.mqtt.topic_filters import covers
from monitor.settings.schema import Settings

STATE = "state"  # below a sensor's topic: whether it is there (its last will)


def topics_of(settings: Settings) -> dict[str, str]:
    """By sensor, the topic it publishes to."""
    zones = {zone.id: zone.site for zone in settings.zones}
    root = settings.mqtt.topic_root
    return {one.id: sensor_topic(root, zones.get(one.zone, ""), one) for one in settings.sensors}


def service_rights(settings: Settings) -> Rights:
    """The service reads its root and what else it listens to, says how it and its zones are, sets lamps."""
    root = settings.mqtt.topic_root
    read = (f"{root}/#", *_beyond(root, (*settings.mqtt.extra_topics, *topics_of(settings).values())))
    own = [c.topic.replace("{site}", "+") + "/#" for c in settings.channels if c.kind == "mqtt" and c.topic]
    write = (f"{root}/service/#", f"{root}/+/lamp/#", f"{root}/+/zone/#", *own)
    return (*((READ, name) for name in read), *((WRITE, name) for name in dict.fromkeys(write)))


def asking_rights(settings: Settings) -> Rights:
    """Who asks whether the service hears a topic writes to each of them, and reads the service's answer."""
    root = settings.mqtt.topic_root
    beyond = _beyond(root, topics_of(settings).values())
    return ((READ, f"{root}/service/#"), *((WRITE, name) for name in (f"{root}/+/+/+", *beyond)))


def sensor_rights(topics: Iterable[str]) -> Rights:
    """A sensor writes to its own topic and no other, and reads nothing; a gateway has several."""
    return tuple((WRITE, name) for topic in topics for name in (topic, f"{topic}/{STATE}"))


def lamp_rights(settings: Settings) -> Rights:
    """A lamp, a siren or a panel reads what is to be shown and whether anybody watches."""
    root = settings.mqtt.topic_root
    return tuple((READ, f"{root}/{name}") for name in ("+/lamp/#", "+/zone/#", "service/state"))


def _beyond(root: str, names: Iterable[str]) -> tuple[str, ...]:
    """Those that a list for everything below the root does not reach."""
    return tuple(dict.fromkeys(name for name in names if not covers(f"{root}/#", name)))


def missing_lines(settings: Settings, listed: AccessList, logins: Iterable[str]) -> Iterator[Fault]:
    """What the access list would have to say for every configured topic to be heard, one fault a line.

    A sensor whose id is no log-in sends through another's: some log-in must be allowed to write its topic.
    """
    reader, known = settings.mqtt.username, tuple(logins)
    for sensor, topic in topics_of(settings).items():
        if reader is not None and not listed.allows(reader, READ, topic):
            yield _missing(f"sensor {sensor}", reader, READ, topic)
        writers = [name for name in known if name != settings.mqtt.check_username]
        if not any(listed.allows(name, WRITE, topic) for name in writers if name != reader):
            yield _missing(f"sensor {sensor}", sensor, WRITE, topic)


def _missing(field: str, login: str, access: str, topic: str) -> Fault:
    act = "hears nothing from" if access == READ else "cannot write to"
    fix = f'add "topic {access} {topic}" below "user {login}" and reload the broker'
    return Fault(f"access list, {field}", f"{login} {act} {topic}", fix)
