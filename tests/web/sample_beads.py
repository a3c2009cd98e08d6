"""Invented test beads of the sample yard: the longer open and the wetter the air, the more of them porous."""

import numpy as np

from monitor.history.entries import Seen, TestBead, body_of
from monitor.model.event import EventKind, NewEvent
from monitor.store.ledger.sql_ledger import SqlLedger
from tests.web.sample_shop import LEAD, NOW_S


def write_beads(ledger: SqlLedger, count: int = 40, package: str = "spool-14") -> None:
    """So many beads in the weeks before now, drawn from a known curve with a fixed seed."""
    chance = np.random.default_rng(11)
    for n in range(count):
        open_h, dew_c = float(chance.uniform(1.0, 70.0)), float(chance.uniform(5.0, 20.0))
        porous = chance.uniform() < 1.0 / (1.0 + np.exp(-(-5.5 + 0.07 * open_h + 0.16 * dew_c)))
        seen = Seen("slip-bay", 18.0, 0.7, round(dew_c, 1), 3_600.0 * round(open_h, 1))
        at_s = NOW_S - 3_600.0 * (3.0 * (count - n))
        body = body_of(TestBead(sound=not porous, seen=seen))
        ledger.commit([NewEvent(EventKind.PACKAGE, package, at_s, LEAD, body)], entered_s=at_s)
