"""Keeps the ledger's end of each day beside the readings, so that a ledger that was taken away is missed."""

import sqlite3

from monitor.store.contract import KeptWitness, Witness

DAY_S = 86_400.0
KEPT_DAYS = 1_830  # five years: some hundred kilobytes
_KEEP = "INSERT OR REPLACE INTO witness (day, time_s, number, hash) VALUES (?, ?, ?, ?)"


def keep_witness(db: sqlite3.Connection, kept: KeptWitness) -> None:
    """Write it inside the caller's transaction; what is older than is kept goes."""
    day = int(kept.time_s // DAY_S)
    db.execute(_KEEP, (day, kept.time_s, kept.witness.number, kept.witness.hash))
    db.execute("DELETE FROM witness WHERE day <= ?", (day - KEPT_DAYS,))


def read_witnesses(db: sqlite3.Connection) -> list[KeptWitness]:
    """The oldest first."""
    rows = db.execute("SELECT time_s, number, hash FROM witness ORDER BY day")
    return [KeptWitness(time_s, Witness(number, text)) for time_s, number, text in rows]
