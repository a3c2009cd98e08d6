"""What workers know of each other and of their shops, in one PostgreSQL database beside the shops' ledgers.

Each shop's ledger is a schema of its own there. Who judges a shop holds its ledger: an advisory lock of
that process's session (`store/ledger/hold.py`), which ends with the process. Nothing here decides; these
tables only tell workers how many they are, and the page of all shops how each one stands.
"""

import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sqlalchemy import create_engine, text

from monitor.model.errors import Fault, InputError
from monitor.store.ledger.answer_time import bound_answers
from monitor.store.ledger.engine import MIGRATION_LOCK, parsed_url, writing
from monitor.store.ledger.hold import SERVICE_LOCK

OWN_SCHEMA = "dryshift_fleet"
SHOP_NAME = re.compile(r"[a-z][a-z0-9-]{0,39}")
# A machine that vanished is let go of by the server after so long; its shops are free then.
_NOTICED = "-ctcp_keepalives_idle=5 -ctcp_keepalives_interval=3 -ctcp_keepalives_count=3"
_TABLES = """
CREATE SCHEMA IF NOT EXISTS dryshift_fleet;
CREATE TABLE IF NOT EXISTS dryshift_fleet.worker (name text PRIMARY KEY, seen timestamptz NOT NULL);
CREATE TABLE IF NOT EXISTS dryshift_fleet.shop (
  id text PRIMARY KEY, worker text NOT NULL, url text NOT NULL, level text NOT NULL, headline text NOT NULL,
  seen timestamptz NOT NULL)"""
_HELD = """
SELECT shop FROM unnest(CAST(:shops AS text[])) AS shop WHERE EXISTS (
  SELECT 1 FROM pg_locks WHERE locktype = 'advisory' AND granted AND classid::bigint = :lock
  AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
  AND objid::bigint = (hashtext('shop_' || replace(shop, '-', '_'))::bigint & 4294967295))"""
_TELL = """
INSERT INTO dryshift_fleet.shop VALUES (:id, :worker, :url, :level, :headline, now())
ON CONFLICT (id) DO UPDATE SET worker = excluded.worker, url = excluded.url, level = excluded.level,
  headline = excluded.headline, seen = excluded.seen"""


class ShopStanding(NamedTuple):
    """How one shop stood when the process that judges it last said so."""

    id: str
    worker: str
    url: str  # of its pages; empty while it does not run
    level: str
    headline: str
    age_s: float = 0.0  # how long ago, by the database's clock


class FleetBook:
    """The workers' tables; StoreUnavailableError while the database cannot be reached."""

    def __init__(self, url: str) -> None:
        where = parsed_url(url)
        if where.get_backend_name() != "postgresql":
            fix = "write postgresql+psycopg://USER@HOST/DATABASE; many shops need one database for all"
            raise InputError([Fault("--database", where.render_as_string(), fix)])
        self._url = where
        self._engine = create_engine(
            where, pool_pre_ping=True, pool_size=2, connect_args={"connect_timeout": 5}
        )
        bound_answers(self._engine)
        with writing(self._engine, MIGRATION_LOCK) as db:
            for statement in _TABLES.split(";\n"):
                db.exec_driver_sql(statement)

    def ledger_url(self, shop: str) -> str:
        """Where a shop's ledger lies; its schema is made on first sight."""
        schema = schema_of(shop)
        with writing(self._engine, MIGRATION_LOCK) as db:
            db.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {schema}")
        return self._address(schema)

    def own_ledger_url(self) -> str:
        """Where it is recorded who was let in to the page of all shops."""
        return self._address(OWN_SCHEMA)

    def _address(self, schema: str) -> str:
        options = {"options": f"-csearch_path={schema} {_NOTICED}"}
        return self._url.update_query_dict(options).render_as_string(hide_password=False)

    def seen(self, worker: str, standings: Iterable[ShopStanding]) -> None:
        """Note that a worker is there, and how the shops stand that it runs."""
        with writing(self._engine, None) as db:
            db.execute(
                text(
                    "INSERT INTO dryshift_fleet.worker VALUES (:name, now()) "
                    "ON CONFLICT (name) DO UPDATE SET seen = now()"
                ),
                {"name": worker},
            )
            rows = [one._asdict() for one in standings]
            if rows:
                db.execute(text(_TELL), rows)

    def gone(self, worker: str) -> None:
        """Note that a worker leaves, so that its share is taken over at once."""
        with writing(self._engine, None) as db:
            db.execute(text("DELETE FROM dryshift_fleet.worker WHERE name = :name"), {"name": worker})

    def workers(self, within_s: float) -> list[str]:
        """Those that were seen lately, by name."""
        lately = "SELECT name FROM dryshift_fleet.worker WHERE seen > now() - make_interval(secs => :s)"
        with writing(self._engine, None) as db:
            return sorted(db.execute(text(lately), {"s": within_s}).scalars())

    def held(self, shops: Sequence[str]) -> set[str]:
        """Which of these shops some process judges now."""
        with writing(self._engine, None) as db:
            return set(db.execute(text(_HELD), {"shops": list(shops), "lock": SERVICE_LOCK}).scalars())

    def standings(self) -> list[ShopStanding]:
        """How every shop stood, and how long ago."""
        columns = "id, worker, url, level, headline, extract(epoch FROM now() - seen)::float8"
        with writing(self._engine, None) as db:
            rows = db.exec_driver_sql(f"SELECT {columns} FROM dryshift_fleet.shop ORDER BY id").all()
        return [ShopStanding(*row) for row in rows]

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


def schema_of(shop: str) -> str:
    """The schema of a shop's ledger; InputError for a name that is none."""
    if SHOP_NAME.fullmatch(shop) is None:
        fix = "name the file with small letters, digits and hyphens, a letter first, at most 40"
        raise InputError([Fault("shop", shop, fix)])
    return f"shop_{shop.replace('-', '_')}"
