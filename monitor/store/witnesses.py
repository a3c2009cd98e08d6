"""Writes a witness of the ledger so that a person can copy it, and reads what a person has copied."""

import re

from monitor.model.errors import Fault, InputError
from monitor.store.contract import Witness

SHORT_DIGITS = 16  # 64 bits: to meet them, an event written anew must be tried some 10^19 times
_FULL_DIGITS = 64
_WRITTEN = re.compile(rf"(\d{{1,9}}):([0-9a-f]{{{SHORT_DIGITS},{_FULL_DIGITS}}})")


def short_witness(witness: Witness) -> str:
    """Number and first 64 bits of the hash, as daily words and sheets have them: `48213:a3f19c2e77b041de`."""
    return f"{witness.number}:{witness.hash[:SHORT_DIGITS]}"


def read_witness(text: str) -> Witness:
    """A witness as somebody typed it, with any blanks and hyphens; its hash may be the beginning of one."""
    found = _WRITTEN.fullmatch(re.sub(r"[\s.-]", "", text).lower())
    if found is None:
        fix = (
            "is no record proof; type it as the daily word or the sheet has it, a number, a colon and at "
            f"least {SHORT_DIGITS} of the signs 0-9 and a-f, like 48213:a3f19c2e77b041de"
        )
        raise InputError([Fault("witness", repr(text[:80]), fix)])
    return Witness(int(found[1]), found[2])
