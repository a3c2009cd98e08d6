"""Chooses the MQTT topic filters to subscribe to, so that no message comes twice (MQTT 5 section 4.7)."""

from collections.abc import Iterable, Iterator
from itertools import combinations, zip_longest

from monitor.model.errors import Fault

REST, ANY = "#", "+"


def wanted(root: str, extra: Iterable[str], topics: Iterable[str]) -> tuple[str, ...]:
    """The usual topics, the settings' extra ones and the sensors' own; none that another covers."""
    names = tuple(dict.fromkeys((f"{root}/+/+/+", *extra, *topics)))
    return tuple(name for name in names if not any(covers(other, name) for other in names if other != name))


def faults(root: str, extra: tuple[str, ...], topics: Iterable[str]) -> Iterator[Fault]:
    """What is no filter, and what would have the broker deliver a message once for each of two filters."""
    broken = [n for n, text in enumerate(extra) if not is_filter(text)]
    for n in broken:
        fix = "is not a topic filter, like tele/+/SENSOR or tele/#"
        yield Fault(f"mqtt.extra_topics[{n}]", repr(extra[n]), fix)
    if broken:
        return
    for one, two in combinations(wanted(root, extra, topics), 2):
        if overlaps(one, two):
            fix = f"{one} and {two} overlap, and the broker may deliver a message for each; make one wider"
            yield Fault("mqtt.extra_topics", repr(two if two in extra else one), fix)


def is_filter(text: str) -> bool:
    """# stands for the rest and comes last, + for one level; both fill their level."""
    *levels, last = text.split("/")
    rest = any(REST in level for level in levels) or (REST in last and last != REST)
    any_one = any(ANY in level and level != ANY for level in (*levels, last))
    return bool(text) and "\0" not in text and not rest and not any_one


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic of the narrow filter is one of the wide filter."""
    for one, two in zip_longest(wide.split("/"), narrow.split("/")):
        if one == REST:
            return True
        if two == REST or one is None or two is None:
            return False
        if one not in (ANY, two):
            return False
    return True


def overlaps(one: str, two: str) -> bool:
    """Whether some topic belongs to both filters."""
    for left, right in zip_longest(one.split("/"), two.split("/")):
        if REST in (left, right):
            return True
        if left is None or right is None:
            return False
        if left != right and ANY not in (left, right):
            return False
    return True
