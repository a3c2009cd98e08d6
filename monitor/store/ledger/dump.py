"""Copies one shop's ledger out of PostgreSQL by its own pg_dump."""

import os
import shutil
import subprocess
from pathlib import Path

from sqlalchemy import URL, Engine

from monitor.store.contract import StoreUnavailableError
from monitor.store.ledger.engine import reading

# What lets anybody in or reaches their phones stays where it is, as with files (`access/account_book.py`).
LEFT_OUT = ("session", "invitation", "screen", "pin_miss", "phone", "beside_key")

WITHIN_S = 3_600.0


def dump(engine: Engine, target: Path) -> Path:
    """A copy of the ledger's own schema at `target`, whole or not at all; other shops' are not in it."""
    program = shutil.which("pg_dump")
    if program is None:
        raise StoreUnavailableError("pg_dump was not found; install the PostgreSQL client programs")
    with reading(engine) as db:
        schema = str(db.exec_driver_sql("SELECT current_schema()").scalar_one())
    part = target.with_name(target.name + ".part")
    where = engine.url
    secret = {"PGPASSWORD": str(where.password)} if where.password else {}  # seen by nobody in ps
    plain = URL.create(
        "postgresql", where.username, None, where.host, where.port, where.database, where.query
    )
    target.parent.mkdir(parents=True, exist_ok=True)
    asked = [
        program,
        "--format=custom",
        f"--schema={schema}",
        *(f"--exclude-table-data={schema}.{name}" for name in LEFT_OUT),
        f"--file={part}",
        f"--dbname={plain.render_as_string()}",
    ]
    try:
        done = subprocess.run(
            asked, capture_output=True, text=True, check=False, env={**os.environ, **secret}, timeout=WITHIN_S
        )
    except subprocess.TimeoutExpired as error:
        raise StoreUnavailableError(f"{target}: pg_dump took longer than {WITHIN_S:g} s") from error
    if done.returncode:
        raise StoreUnavailableError(f"{target}: pg_dump failed: {done.stderr.strip()}")
    part.replace(target)
    return target
