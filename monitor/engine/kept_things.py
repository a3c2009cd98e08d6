"""Keeps every thing folded, so that a page reads only what was entered since the last one asked."""

import threading

from monitor.history.shop_history import TOLD, DeclaredThings, Fold, ShopHistory, fold_of
from monitor.store.contract import Ledger


class KeptThings:
    """What settings and ledger tell, as of now; asked by pages and keeper at once."""

    def __init__(self, declared: DeclaredThings, ledger: Ledger) -> None:
        self._declared = declared
        self._ledger = ledger
        self._fold: Fold | None = None
        self._lock = threading.Lock()

    def now(self) -> ShopHistory:
        """Everything that was entered up to now, folded.

        The last event that was taken in is read again: where the ledger has another in its place, or none, it
        is not the ledger that was folded, and everything is read afresh.
        """
        with self._lock:
            self._fold = self._followed(self._fold)
            return self._fold.history

    def _followed(self, fold: Fold | None) -> Fold:
        if fold is not None and fold.last is not None:
            found = self._ledger.events(kinds=TOLD, from_number=fold.last.number)
            if found[:1] == [fold.last]:
                return fold.taken(found[1:])
        return fold_of(self._declared).taken(self._ledger.events(kinds=TOLD))
