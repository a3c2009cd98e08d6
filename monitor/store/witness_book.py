"""Keeps the ledger's end outside of the ledger, twice, and finds a ledger that does not hold it any more."""

import json
import logging
import os
from collections.abc import Iterable
from pathlib import Path

from monitor.store.contract import KeptWitness, Ledger, SeriesStore, Witness
from monitor.store.sqlite_file import explain

log = logging.getLogger(__name__)

WITNESS_FILE = "ledger-witnesses.json"
DAY_S = 86_400.0


class WitnessBook:
    """The last end of each day, beside the readings and in a small file; neither is the ledger's own.

    Whoever writes the ledger anew, or takes it away, has these to write anew as well; and the daily words on
    phones, printed sheets and backups, which lie elsewhere.
    """

    def __init__(self, data_dir: Path, series: SeriesStore) -> None:
        self._file = data_dir / WITNESS_FILE
        self._series = series

    def kept(self) -> list[KeptWitness]:
        """All that is known, the lowest number first."""
        return sorted(
            {*self._series.witnesses(), *self._in_file()}, key=lambda one: (one.witness, one.time_s)
        )

    def keep(self, now_s: float, head: Witness) -> None:
        """Keep the ledger's end as of now, in both places."""
        one = KeptWitness(now_s, head)
        self._series.keep_witness(one)
        by_day = {int(kept.time_s // DAY_S): kept for kept in sorted({*self.kept(), one})}
        lines = [[kept.time_s, *kept.witness] for _, kept in sorted(by_day.items())]
        part = self._file.with_name(self._file.name + ".part")
        try:
            with part.open("w", encoding="utf-8") as stream:
                json.dump(lines, stream, indent=0)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(part, self._file)
        except OSError as error:
            raise explain(error, self._file) from error

    def _in_file(self) -> list[KeptWitness]:
        """What the file holds; one that is gone or cannot be read holds nothing, and is written anew."""
        try:
            lines = json.loads(self._file.read_text(encoding="utf-8"))
            return [KeptWitness(float(time_s), Witness(int(n), str(text))) for time_s, n, text in lines]
        except FileNotFoundError:
            return []
        except (OSError, ValueError, TypeError) as error:
            log.warning("%s cannot be read and is written anew: %s", self._file, error)
            return []


def contradicting(ledger: Ledger, kept: Iterable[KeptWitness]) -> list[KeptWitness]:
    """Those that the ledger does not hold as they were kept."""
    known = [one for one in kept if one.witness.number > 0]
    wrong = set(ledger.contradicted([one.witness for one in known]))
    return [one for one in known if one.witness in wrong]
