"""Asks the running broker for `dryshift check`: may the service hear every configured topic?"""

import ssl
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

from monitor.clock import SystemClock
from monitor.model.errors import Fault, InputError
from monitor.mqtt.access_list import READ, WRITE
from monitor.mqtt.broker_rights import missing_lines, topics_of
from monitor.mqtt.enrolment import ACCESS, PASSWORDS, Enrolment
from monitor.mqtt.hearing import Asker, Hearing, NotAskedError, StandIn
from monitor.mqtt.topic_filters import wanted
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.folder_lock import is_held

TIMEOUT_S = 10.0  # for the whole of it


class BrokerAnswers:
    """What was found: faults with what to add to the access list, and what is to be known besides."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.notes: list[str] = []


def ask_broker(settings: Settings) -> BrokerAnswers:
    """Ask, within a bounded time; where the broker cannot be asked a note says why."""
    found = BrokerAnswers()
    found.faults += _unlisted(settings)
    topics = topics_of(settings)
    address = (settings.mqtt.host, settings.mqtt.port)
    if not topics:
        return found
    if settings.mqtt.broker == "embedded" and not is_held(settings.service.data_dir):
        found.notes.append("the embedded broker runs with the service: its topics are asked while that runs")
        return found
    try:
        with ExitStack() as stack:
            asker = stack.enter_context(Asker(settings.mqtt, address, TIMEOUT_S))
            found.notes += _certificate(asker.certificate_ends)
            stand_in = _stand_in(settings, asker, stack)
            heard = asker.ask(topics.values())
            runs = stand_in is None
            if stand_in is not None and stand_in.is_full:
                found.notes.append("topics not asked: much waits for the service; start it, then check again")
                return found
    except (NotAskedError, InputError) as error:
        where = f"{address[0]}:{address[1]}"
        found.notes.append(f"topics not asked of the broker {where}: {error}")
        return found
    if runs and Hearing.HEARD not in heard.values() and asker.service_state != "online":
        found.notes.append(
            f"topics not asked: the service says {asker.service_state or 'nothing'}; see its log"
        )
        return found
    found.faults += _deaf(settings, topics, heard)
    count = sum(one is Hearing.HEARD for one in heard.values())
    who = "the running service" if runs else "its log-in"
    found.notes.append(f"broker {address[0]}:{address[1]}: {who} hears {count} of {len(topics)} topics")
    return found


def _stand_in(settings: Settings, asker: Asker, stack: ExitStack) -> StandIn | None:
    """Who listens where no service runs, here on the data folder or elsewhere; None where one does."""
    if is_held(settings.service.data_dir) or asker.service_is_there():
        return None
    mqtt = settings.mqtt
    names = wanted(mqtt.topic_root, mqtt.extra_topics, topics_of(settings).values())
    stand_in = StandIn(mqtt, (mqtt.host, mqtt.port), names)
    stack.callback(stand_in.stop)
    if not stand_in.listen(asker, TIMEOUT_S / 2):
        raise NotAskedError(f"the service's log-in is not let in ({stand_in.refused or 'no answer'})")
    return stand_in


def _deaf(settings: Settings, topics: Mapping[str, str], heard: Mapping[str, Hearing]) -> Iterator[Fault]:
    """In one sentence each, what to add to the access list."""
    for sensor, topic in topics.items():
        if heard[topic] is Hearing.NOT_HEARD:
            said, login, access = "the service hears nothing from", settings.mqtt.username, READ
        elif heard[topic] is Hearing.REFUSED:
            said, login, access = "could not be asked:", settings.mqtt.check_username, WRITE
        else:
            continue
        who = f'below "user {login}" ' if login else ""
        fix = f'add "topic {access} {topic}" {who}to the broker\'s access list and reload it'
        yield Fault(f"sensor {sensor}", f"{said} {topic}", fix)


def _unlisted(settings: Settings) -> list[Fault]:
    """What the access list itself lacks, where this user may read it."""
    folder = settings.mqtt.access_dir
    if folder is None or not all(_readable(folder / name) for name in (ACCESS, PASSWORDS)):
        return []
    enrolled = Enrolment(folder)
    return list(missing_lines(settings, enrolled.access(), enrolled.hashes()))


def _readable(file: Path) -> bool:
    try:
        with file.open("rb"):
            return True
    except OSError:
        return False


def _certificate(ends: str) -> Iterator[str]:
    """A word before the broker's certificate ends, when every sensor would fall silent at once."""
    if not ends:
        return
    left_days = (ssl.cert_time_to_seconds(ends) - SystemClock().now_s()) / 86_400.0
    if left_days < load_toml("broker.toml")["renew_before_days"]["value"]:
        yield f"the broker's certificate ends in {left_days:.0f} days: `dryshift enrol authority` renews it"
