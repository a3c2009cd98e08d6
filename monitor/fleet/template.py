"""What every shop's process begins with: loaded once, in the server that they are forked from, and shared.

Named to the fork server, which loads it. A page of memory stays shared until somebody writes to it, and a
look for garbage writes to every object it passes: so what is here is put where no such look goes.
"""

import gc
import importlib

from monitor.settings.reference import load_toml, shared_folder

# The service, and what it loads only once it runs: the ledger's driver and migrations, its threads' parts.
_LATER = (
    "alembic.command",
    "alembic.config",
    "apscheduler.triggers.interval",
    "concurrent.futures.thread",
    "monitor.fleet.shop_process",
    "psycopg",
    "psycopg_binary",
    "pydantic.v1",
    "sqlalchemy.dialects.postgresql",
    "uvicorn.lifespan.on",
    "uvicorn.loops.auto",
)
YOUNG = 10_000  # objects made before the youngest are looked through, as in a service alone

for _name in _LATER:
    importlib.import_module(_name)
for _file in shared_folder().glob("*.toml"):
    load_toml(_file.name)  # kept in mind: what every shop would read anew
gc.collect()
gc.freeze()
gc.set_threshold(YOUNG)
