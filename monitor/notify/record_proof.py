"""Puts the record's end behind a daily word, so that every phone that keeps it is a witness."""

from collections.abc import Callable
from dataclasses import replace

from monitor.model.notification import Notification
from monitor.store.contract import Witness
from monitor.store.witnesses import short_witness

LONGEST = 160
PROOF = "proof"  # a daily word's own words for it


def with_proof(note: Notification, head: Callable[[], Witness]) -> Notification:
    """A daily word with number and hash of the newest event, asked for only here; any other as it is."""
    words = note.data.get(PROOF)
    if not isinstance(words, str):
        return note
    said = words.replace("{witness}", short_witness(head()))
    text = f"{note.text[: LONGEST - len(said) - 1].rstrip()} {said}"
    return replace(note, text=text, data={**note.data, PROOF: said})
