"""Chains events by hash, and finds the first link that was edited, taken out, put in or moved."""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from json.encoder import encode_basestring

import rfc8785

from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.store.contract import Verification, Witness

TOLD_EVERY = 1_000
EXACT = 1e15  # whole numbers below it are exact, and both write them plainly
SHORTEST = 1e-4
GENESIS = Witness(0, "0" * 64)


def canonical(value: object) -> str:
    """JSON by RFC 8785: one text for one value, so that anybody can compute the hash again.

    What the library and the plain writer below could say differently is left to the library.
    """
    text = _plain(value)
    if text is None or not (text.isascii() or _is_text(text)):
        return rfc8785.dumps(value).decode()  # type: ignore[arg-type]  # judged by the library itself
    return text


def _plain(value: object) -> str | None:
    """The same text for values of the usual sorts, several times as fast; None for any other."""
    kind = type(value)
    if kind is str:
        return encode_basestring(str(value))
    if kind is float:
        return _number(value)  # type: ignore[arg-type]
    if kind is int:
        return str(value) if -EXACT < value < EXACT else None  # type: ignore[operator]
    if kind is list:
        return _joined("[", "]", [_plain(one) for one in value])  # type: ignore[attr-defined]
    if kind is dict:
        return _members(value)  # type: ignore[arg-type]
    return {True: "true", False: "false", None: "null"}[value] if kind in (bool, type(None)) else None  # type: ignore[index]


def _members(value: Mapping[object, object]) -> str | None:
    """Names in the order of their letters, which for ASCII is that of UTF-16 too."""
    if not all(type(name) is str and name.isascii() for name in value):
        return None
    parts = []
    for name in sorted(value):  # type: ignore[type-var]
        text = _plain(value[name])
        parts.append(None if text is None else f"{encode_basestring(str(name))}:{text}")
    return _joined("{", "}", parts)


def _joined(first: str, last: str, parts: list[str | None]) -> str | None:
    known = [one for one in parts if one is not None]
    return f"{first}{','.join(known)}{last}" if len(known) == len(parts) else None


def _number(value: float) -> str | None:
    """Python and ECMAScript write the same shortest digits, and between these ends without an exponent."""
    size = abs(value)
    if value.is_integer() and size < EXACT:
        return str(int(value))
    return repr(value) if SHORTEST <= size < EXACT else None


def event_hash(event: Event, body: str | None = None) -> str:
    """SHA-256 over the canonical JSON of all fields but the hash itself.

    `body` is the body's canonical text where it is known, since working it out is most of the cost.
    """
    after_body = {
        "number": event.number,
        "kind": event.kind.value,
        "subject": event.subject,
        "time_s": event.time_s,
        "entered_s": event.entered_s,
        "who": event.who,
        "why": event.why,
        "key": event.key,
        "previous_hash": event.previous_hash,
    }
    first = canonical(event.body) if body is None else body
    content = f'{{"body":{first},{canonical(after_body)[1:]}'  # names in order, and "body" is the first
    return hashlib.sha256(content.encode()).hexdigest()


def chained(new: NewEvent, entered_s: float, after: Witness) -> Event:
    """The event as it follows the last one; an InputError where it cannot be written down."""
    faults = [
        Fault(name, repr(text), "leave out NUL and half characters")
        for name, text in (("subject", new.subject), ("who", new.who), ("why", new.why), ("key", new.key))
        if text is not None and not _is_text(text)
    ]
    try:
        body = json.loads(canonical(new.written()))
        canonical([new.time_s, entered_s])
    except rfc8785.CanonicalizationError as error:
        faults.append(Fault("event", repr(new), f"{error}; use plain JSON values and finite numbers"))
        body = {}
    if faults:
        raise InputError(faults)
    unhashed = Event(
        number=after.number + 1,
        kind=new.kind,
        subject=new.subject,
        time_s=float(new.time_s),
        entered_s=float(entered_s),
        who=new.who,
        why=new.why,
        body=body,
        key=new.key,
        previous_hash=after.hash,
        hash="",
    )
    return with_hash(unhashed)


def with_hash(event: Event) -> Event:
    """The event with the hash that its content gives."""
    fields = {name: getattr(event, name) for name in Event.__slots__}
    return Event(**{**fields, "hash": event_hash(event)})


def _is_text(text: str) -> bool:
    return "\0" not in text and not any(0xD800 <= ord(sign) <= 0xDFFF for sign in text)


def from_row(row: Mapping[str, object]) -> Event:
    """An event as it stands in the table; a ValueError where the row is no event any more."""
    text = str(row["body"])
    body = json.loads(text)
    if not isinstance(body, dict) or canonical(body) != text:
        raise ValueError("the body is not canonical JSON")
    return Event(**{**row, "kind": EventKind(str(row["kind"])), "body": body})  # type: ignore[arg-type]


def walk(
    rows: Iterable[Mapping[str, object]],
    head: Witness | None,
    witnesses: Iterable[Witness],
    progress: Callable[[int], object] = lambda _: None,
) -> Verification:
    """Check rows in rising number against each other, the recorded head and what was witnessed.

    Witnesses come in rising number; of each the hash or its beginning counts. Both are read as they come, so
    that a whole other copy of the chain can be the witness. `progress` is told of so many events at a time,
    and may end the walk by raising.
    """
    last, held = GENESIS, GENESIS.number
    waiting = (witness for witness in witnesses if witness.number > GENESIS.number)
    next_ = next(waiting, None)
    for checked, row in enumerate(rows):
        number = last.number + 1
        found = row["number"]
        if found != number:
            reason = f"event {number} is missing" if found > number else f"event {found} was put in"  # type: ignore[operator]
            return Verification(checked, number if found > number else int(found), reason)  # type: ignore[operator,call-overload]
        wrong = _wrong(row, last)
        while not wrong and next_ is not None and next_.number == number:
            wrong = "" if str(row["hash"]).startswith(next_.hash) else _anew(number, held)
            next_, held = next(waiting, None), number
        if wrong:
            return Verification(checked, number, f"event {number} {wrong}")
        last = Witness(number, str(row["hash"]))
        if number % TOLD_EVERY == 0:
            progress(TOLD_EVERY)
    return _end(last, head, next_)


def _anew(number: int, held: int) -> str:
    """What can be said where a witness contradicts: how far back the chain may have been written anew."""
    said = "is not the one that was witnessed; it was written anew"
    if held == number - 1:
        return said
    return f"{said}, or one before it was" + (f", after event {held}" if held else "")


def _wrong(row: Mapping[str, object], last: Witness) -> str:
    try:
        event = from_row(row)
        content = event_hash(event, str(row["body"]))
    except (ValueError, TypeError) as error:
        return f"was changed after it was written ({error})"
    if event.previous_hash != last.hash:
        return f"does not follow event {last.number}; one of the two was changed, moved or put in"
    return "" if event.hash == content else "was changed after it was written"


def _end(last: Witness, head: Witness | None, witnessed: Witness | None) -> Verification:
    if head is None:
        return Verification(last.number, last.number, "the record of the last event is missing")
    if last.number < head.number or witnessed is not None:
        number = last.number + 1
        return Verification(last.number, number, f"event {number} is missing at the end")
    if last.number > head.number:
        number = head.number + 1
        return Verification(last.number, number, f"event {number} was put in after the recorded end")
    if last.hash != head.hash:
        return Verification(last.number, last.number, f"event {last.number} is not the recorded end")
    return Verification(last.number, None, "")
