"""The tables of the embedded series store, and the codes written into them."""

from monitor.model.payload import KEPT_TOPIC_CHARACTERS
from monitor.model.sensor import SensorStatus
from monitor.store.kept_beside import Schema

MINUTE_MS = 60_000
QUARTER_MS = 900_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
STRETCH_MS = 6 * HOUR_MS  # what is packed together; days are whole multiples of it

# Codes are stored and sent to other stores: new ones are only ever added at the end.
STATUS_CODES: dict[SensorStatus, int] = {
    SensorStatus.GOOD: 0,
    SensorStatus.MAINTENANCE_REQUIRED: 1,
    SensorStatus.OUT_OF_SPECIFICATION: 2,
    SensorStatus.FUNCTION_CHECK: 3,
    SensorStatus.FAILURE: 4,
}

# Readings are clustered by series and time, because charts and rollups read them so; the order of
# arrival is an index beside it. `stale_hour` names the hours whose rollups lag behind the readings.
_FIRST = """
CREATE TABLE series (
  id INTEGER PRIMARY KEY,
  zone TEXT NOT NULL,
  source TEXT NOT NULL,
  quantity TEXT NOT NULL,
  derived INTEGER NOT NULL,
  UNIQUE (zone, source, quantity)
) STRICT;

CREATE TABLE reading (
  arrival_order INTEGER NOT NULL,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL,
  delay_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  sequence INTEGER,
  from_device INTEGER NOT NULL,
  status INTEGER NOT NULL,
  PRIMARY KEY (series_id, time_ms)
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX reading_order ON reading (arrival_order);

CREATE TABLE mark (
  arrival_order INTEGER PRIMARY KEY,
  reason TEXT NOT NULL
) STRICT;

CREATE TABLE point (
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  PRIMARY KEY (series_id, time_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE rollup_minute (
  series_id INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  total REAL NOT NULL,
  minimum REAL NOT NULL,
  maximum REAL NOT NULL,
  PRIMARY KEY (series_id, start_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE rollup_hour (
  series_id INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  total REAL NOT NULL,
  minimum REAL NOT NULL,
  maximum REAL NOT NULL,
  PRIMARY KEY (series_id, start_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE rollup_day (
  series_id INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  total REAL NOT NULL,
  minimum REAL NOT NULL,
  maximum REAL NOT NULL,
  PRIMARY KEY (series_id, start_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE stale_hour (
  series_id INTEGER NOT NULL,
  hour INTEGER NOT NULL,
  PRIMARY KEY (series_id, hour)
) STRICT, WITHOUT ROWID;

CREATE TABLE set_aside (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  topic TEXT NOT NULL,
  payload BLOB NOT NULL,
  arrived_ms INTEGER NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT;

CREATE TABLE number (
  name TEXT PRIMARY KEY,
  value INTEGER NOT NULL
) STRICT, WITHOUT ROWID"""

# What the ledger's end was, day by day, kept outside of the ledger; and how much a set-aside message takes,
# the topics of earlier ones cut like those of now.
_SECOND = f"""
CREATE TABLE witness (
  day INTEGER PRIMARY KEY,
  time_s REAL NOT NULL,
  number INTEGER NOT NULL,
  hash TEXT NOT NULL
) STRICT;

ALTER TABLE set_aside ADD COLUMN bytes INTEGER NOT NULL DEFAULT 0;

UPDATE set_aside SET topic = substr(topic, 1, {KEPT_TOPIC_CHARACTERS});

UPDATE set_aside SET bytes = length(CAST(topic || reason || detail AS BLOB)) + length(payload)"""

# Who holds how much of what was set aside, without reading the payloads.
_THIRD = "CREATE INDEX set_aside_held ON set_aside (topic, reason, bytes)"

# Quarters of an hour are what a week's chart asks for. Closed stretches of a series lie packed, one block
# each; `first_order` and `last_order` say between which arrivals, and are null for derived points.
_FOURTH = """
CREATE TABLE rollup_quarter (
  series_id INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  total REAL NOT NULL,
  minimum REAL NOT NULL,
  maximum REAL NOT NULL,
  PRIMARY KEY (series_id, start_ms)
) STRICT, WITHOUT ROWID;

INSERT INTO rollup_quarter
SELECT series_id, start_ms / 900000 * 900000, sum(n), sum(total), min(minimum), max(maximum)
FROM rollup_minute GROUP BY series_id, start_ms / 900000;

CREATE TABLE packed (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  series_id INTEGER NOT NULL,
  stretch INTEGER NOT NULL,
  first_order INTEGER,
  last_order INTEGER,
  arrived_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  block BLOB NOT NULL,
  UNIQUE (series_id, stretch)
) STRICT;

CREATE INDEX packed_orders ON packed (first_order, last_order);

CREATE INDEX packed_stretch ON packed (stretch)"""

# What came in last lies in the order in which it came, with the columns of what is filed. Minutes of what is
# kept follow from it as fast: they are summed up when it goes.
_FIFTH = """
CREATE TABLE fresh_reading (
  arrival_order INTEGER PRIMARY KEY,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL,
  delay_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  sequence INTEGER,
  from_device INTEGER NOT NULL,
  status INTEGER NOT NULL
) STRICT;

CREATE TABLE fresh_point (
  told_order INTEGER PRIMARY KEY,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL,
  value REAL NOT NULL
) STRICT;

DELETE FROM rollup_minute
WHERE start_ms >= coalesce((SELECT value FROM number WHERE name = 'raw_floor_ms'), 0)"""

# Where a filed reading lies, by its order of arrival: a table instead of an index, so that packing a series
# need not take one entry out of every page; what points nowhere any more is swept out in the order it came.
_SIXTH = """
CREATE TABLE filed_order (
  arrival_order INTEGER PRIMARY KEY,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL
) STRICT;

INSERT INTO filed_order SELECT arrival_order, series_id, time_ms FROM reading ORDER BY arrival_order;

DROP INDEX reading_order"""

# Which numbers of a series lie in which month's file, and which stretches of it were opened again since.
_SEVENTH = """
CREATE TABLE month_file (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  name TEXT NOT NULL UNIQUE,
  month TEXT NOT NULL,
  derived INTEGER NOT NULL,
  sha256 TEXT NOT NULL,
  size_bytes INTEGER NOT NULL,
  n INTEGER NOT NULL
) STRICT;

CREATE TABLE month_part (
  file_id INTEGER NOT NULL,
  row_group INTEGER NOT NULL,
  first_row INTEGER NOT NULL,
  n INTEGER NOT NULL,
  series_id INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,
  end_ms INTEGER NOT NULL,
  arrived_ms INTEGER NOT NULL,
  first_order INTEGER,
  last_order INTEGER,
  PRIMARY KEY (series_id, start_ms)
) STRICT, WITHOUT ROWID;

CREATE INDEX month_part_orders ON month_part (first_order, last_order);

CREATE TABLE month_opened (
  series_id INTEGER NOT NULL,
  stretch INTEGER NOT NULL,
  PRIMARY KEY (series_id, stretch)
) STRICT, WITHOUT ROWID"""

SERIES_SCHEMA = Schema(
    application_id=0x44525953, steps=(_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH, _SIXTH, _SEVENTH)
)
