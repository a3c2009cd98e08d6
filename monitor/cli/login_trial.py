"""Tries a new log-in at the running broker: its own topics are taken, and those of the service are not."""

from collections.abc import Sequence

from pydantic import SecretStr

from monitor.model.errors import InputError
from monitor.mqtt.client import state_topic
from monitor.mqtt.hearing import Asker, Hearing, NotAskedError
from monitor.settings.schema import Settings

TIMEOUT_S = 5.0


def said_of(settings: Settings, login: str, password: str, topics: Sequence[str]) -> str:
    """In one sentence, what the broker made of it."""
    mqtt = settings.mqtt
    trying = mqtt.model_copy(update={"check_username": login, "check_password": SecretStr(password)})
    foreign = state_topic(mqtt)
    try:
        with Asker(trying, (mqtt.host, mqtt.port), TIMEOUT_S) as asker:
            found = asker.try_writing((*topics, foreign))
    except (NotAskedError, InputError) as error:
        return f"not tried at the broker ({error})"
    refused = [topic for topic in topics if found[topic] is not Hearing.TAKEN]
    if refused:
        return f"the broker does not take {', '.join(refused)}: did it read its files again?"
    if found[foreign] is Hearing.TAKEN and mqtt.protocol == "5":
        return f"the broker lets it write to {foreign} as well: does it use this access list?"
    return "tried at the broker; it takes its own topics and no others"
