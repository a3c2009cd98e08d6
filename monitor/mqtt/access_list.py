"""Mosquitto's access list (mosquitto.conf(5), acl_file): which log-in may read and write which topics."""

from collections.abc import Iterable
from itertools import chain

from monitor.mqtt.topic_filters import covers

READ, WRITE, BOTH, DENY = "read", "write", "readwrite", "deny"
Rights = tuple[tuple[str, str], ...]
"""What is allowed, and the topic filter: ("write", "dryshift/yard/bay/bay-1")."""


class AccessList:
    """A list by log-in. What is not said of a log-in that is changed stays to the letter, comments too."""

    def __init__(self, text: str = "") -> None:
        self._head: list[str] = []
        self._blocks: dict[str, list[str]] = {}
        here = self._head
        for line in text.splitlines():
            word, _, login = line.strip().partition(" ")
            if word == "user" and login.strip():
                here = self._blocks.setdefault(login.strip(), [])
            else:
                here.append(line.rstrip())

    @property
    def text(self) -> str:
        """The file's text: what is for all first, then a block for each log-in."""
        head = "\n".join(self._head).strip("\n")
        blocks = ["\n".join((f"user {login}", *lines)).rstrip("\n") for login, lines in self._blocks.items()]
        return "\n\n".join([*([head] if head else []), *blocks]) + "\n"

    def rights(self, login: str) -> Rights:
        """What the list says of a log-in by name."""
        return tuple(_rule(line, "topic") for line in self._blocks.get(login, ()) if _is_rule(line, "topic"))

    @property
    def logins(self) -> tuple[str, ...]:
        """Whom the list names."""
        return tuple(self._blocks)

    def grant(self, login: str, rights: Rights) -> None:
        """Say this of a log-in, and nothing else."""
        self._blocks[login] = [f"topic {access} {name}" for access, name in rights]

    def revoke(self, login: str) -> None:
        """Say nothing of it any more, which is to allow nothing."""
        self._blocks.pop(login, None)

    def allows(self, login: str, access: str, topic: str) -> bool:
        """Whether the broker lets a log-in, whose client id is its name, read or write a topic.

        Rules for nobody in particular stand before the first `user` and are for who has no log-in; only
        patterns are for everybody, wherever they stand.
        """
        rules = [*self.rights(login), *_patterns(chain(self._head, *self._blocks.values()), login)]
        touching = [said for said, name in rules if _matches(name, topic)]
        return DENY not in touching and (access in touching or BOTH in touching)


def _is_rule(line: str, word: str) -> bool:
    return line.strip().split(" ", 1)[0] == word and " " in line.strip()


def _rule(line: str, word: str) -> tuple[str, str]:
    said = line.strip().removeprefix(word).strip()
    access, _, name = said.partition(" ")
    return (access, name.strip()) if access in (READ, WRITE, BOTH, DENY) and name else (BOTH, said)


def _patterns(lines: Iterable[str], login: str) -> Rights:
    rules = (_rule(line, "pattern") for line in lines if _is_rule(line, "pattern"))
    # The client id is the log-in's name: use_username_as_clientid.
    return tuple((access, name.replace("%u", login).replace("%c", login)) for access, name in rules)


def _matches(name: str, topic: str) -> bool:
    """Wildcards at the beginning do not reach topics of the broker's own (MQTT 5, section 4.7.2)."""
    if topic.startswith("$") and not name.startswith("$"):
        return False
    return covers(name, topic)
