"""Whether the chain of events behind a record holds, in words an auditor can check."""

from dataclasses import dataclass

from monitor.report.sheet import SheetSection, Writing
from monitor.store.contract import Ledger, Verification, Witness


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
            return f"the chain of {self.verification.checked} events holds; the newest is {self.head.number}"
        return f"THE CHAIN IS BROKEN at event {self.verification.broken_at}: {self.verification.reason}"


def verified(ledger: Ledger) -> ChainProof:
    """Walk the chain now."""
    return ChainProof(ledger.verify(), ledger.head())


def proof_section(proof: ChainProof, writing: Writing) -> SheetSection:
    """The check, and the newest event's hash to hold against later copies."""
    found = proof.verification
    rows = (
        ("events checked", str(found.checked)),
        ("chain", "holds" if proof.holds else f"broken at event {found.broken_at}: {found.reason}"),
        ("newest event", str(proof.head.number)),
        ("its SHA-256", proof.head.hash),
    )
    note = (
        "Each event holds the SHA-256 of the one before it. Keep this number and hash: a later copy of the "
        "record must still hold them.",
    )
    return SheetSection("proof", "The record", ("", ""), rows, note)
