"""How the parts of the service are doing, in the words of its pages."""

from collections.abc import Iterator

from monitor.model.picture import Part
from monitor.mqtt.session import IngestStatus
from monitor.store.contract import Shipping


def watch_part(why: str, core_error: str) -> Part:
    """Whether what is shown is judged now."""
    if not why:
        return Part("watch", True, "judging")
    return Part("watch", False, f"{why}: {core_error}" if core_error else why)


def intake_parts(status: IngestStatus, broker: str, core_error: str, behind_s: float) -> Iterator[Part]:
    """The broker, and the store that what it brings is written to."""
    text = broker if status.connected else f"broker away: {status.last_error}"
    numbers = {"messages": float(sum(status.counts.values())), "pending": float(status.pending)}
    yield Part("broker", status.connected, text, numbers)
    trouble = status.store_error or core_error
    yield Part("series", not trouble, trouble or "stored", {"behind_s": behind_s})


def server_part(shipping: Shipping, now_s: float) -> Part:
    """The time-series server behind the local store."""
    good = shipping.state in {"up_to_date", "sending"}
    words = shipping.state.replace("_", " ") + (f": {shipping.last_error}" if not good else "")
    oldest_s = shipping.oldest_waiting_s
    behind_s = 0.0 if oldest_s is None else max(now_s - oldest_s, 0.0)
    if shipping.waiting:
        words += f"; {shipping.waiting} numbers waiting, {behind_s:.0f} s behind"
    if shipping.refused:
        words += f"; {shipping.refused} refused by the server and kept here"
    numbers = {
        "waiting": float(shipping.waiting),
        "behind_s": behind_s,
        "refused": float(shipping.refused),
    }
    return Part("time-series server", good and not shipping.refused, words, numbers)
