"""Whether the chain of events behind a record holds, in words an auditor can check."""

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.report.sheet import SheetSection, Writing
from monitor.store.contract import Ledger, Verification, Witness
from monitor.store.witnesses import short_witness


@dataclass(frozen=True, slots=True)
class ChainProof:
    """What the check of the chain gave, and where the chain ended."""

    verification: Verification
    head: Witness

    @property
    def holds(self) -> bool:
        """Whether every link was found as it was written."""
        return self.verification.broken_at is None

    @property
    def text(self) -> str:
        """One line for the head of a sheet."""
        if self.holds:
            return (
                f"the chain of {self.verification.checked} events holds; the newest is {self.head.number}. "
                f"Record proof {short_witness(self.head)}: who keeps this sheet can show that nothing before "
                "it was written anew"
            )
        return f"THE CHAIN IS BROKEN at event {self.verification.broken_at}: {self.verification.reason}"


def verified(ledger: Ledger, witnesses: Iterable[Witness] = ()) -> ChainProof:
    """Walk the chain now, also against what was kept outside of it (in rising number)."""
    return ChainProof(ledger.verify(witnesses), ledger.head())


def proof_section(proof: ChainProof, writing: Writing) -> SheetSection:
    """The check, and the newest event's hash to hold against later copies."""
    found = proof.verification
    rows = (
        ("events checked", str(found.checked)),
        ("chain", "holds" if proof.holds else f"broken at event {found.broken_at}: {found.reason}"),
        ("newest event", str(proof.head.number)),
        ("its SHA-256", proof.head.hash),
        ("record proof", short_witness(proof.head)),
    )
    note = (
        "Each event holds the SHA-256 of the one before it, so a sheet in a binder is a witness: a later "
        "record must still hold this number and hash. The record proof is the number and the first 64 bits "
        "of the hash, as daily words carry it; the page Records and dryshift verify --witness take either.",
    )
    return SheetSection("proof", "The record", ("", ""), rows, note)
