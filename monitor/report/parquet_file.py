"""Writes stored series as one Parquet table whose columns carry their units; its library is optional."""

import io
import json
from collections.abc import Iterable, Mapping

import numpy as np

from monitor.model.quantity_units import unit_of
from monitor.model.reading import Quantity, SeriesKey
from monitor.store.contract import ParquetUnavailableError, SeriesSlice


def parquet(slices: Iterable[tuple[SeriesKey, SeriesSlice]]) -> bytes:
    """A row for every time of every source: zone, source, time, a column for each quantity, and `doubtful`.

    `doubtful` is true where a number of the row was kept out of decisions. ParquetUnavailableError without
    the library.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet as written
    except ImportError as error:
        raise ParquetUnavailableError from error
    by_source: dict[tuple[str, str], dict[Quantity, SeriesSlice]] = {}
    for key, found in slices:
        by_source.setdefault((key.zone, key.source), {})[key.quantity] = found
    quantities = [one for one in Quantity if any(one in found for found in by_source.values())]
    fields = [
        pa.field("zone", pa.string()),
        pa.field("source", pa.string()),
        pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False),
        *(pa.field(one.value, pa.float64(), metadata={"unit": unit_of(one)}) for one in quantities),
        pa.field("doubtful", pa.bool_(), nullable=False),
    ]
    units = {one.value: unit_of(one) for one in quantities}
    schema = pa.schema(fields, metadata={"dryshift": json.dumps({"units": units, "unit_system": "UCUM"})})
    out = io.BytesIO()
    with written.ParquetWriter(out, schema, compression="zstd") as writer:
        for (zone, source), part in sorted(by_source.items()):
            writer.write_table(pa.table(_rows(zone, source, part, quantities), schema=schema))
    return out.getvalue()


def _rows(
    zone: str, source: str, found: Mapping[Quantity, SeriesSlice], quantities: Iterable[Quantity]
) -> dict[str, object]:
    times = np.unique(np.concatenate([one.time_s for one in found.values()]))
    doubtful = np.zeros(times.size, dtype=bool)
    columns: dict[str, object] = {"zone": [zone] * times.size, "source": [source] * times.size}
    columns["time"] = np.round(times * 1_000.0).astype("int64").astype("datetime64[ms]")
    for quantity in quantities:
        column = np.full(times.size, np.nan)
        part = found.get(quantity)
        if part is not None:
            places = np.searchsorted(times, part.time_s)
            column[places] = part.value
            doubtful[places] |= np.asarray(part.doubtful, dtype=bool)
        columns[quantity.value] = _nullable(column)
    return {**columns, "doubtful": doubtful}


def _nullable(column: "np.typing.NDArray[np.float64]") -> object:
    import pyarrow as pa

    return pa.array(column, mask=np.isnan(column))
