"""Tables as Apache Parquet, in groups of rows; a column's unit stands in its field's metadata."""

from collections.abc import Iterator
from itertools import islice
from typing import Any, BinaryIO

from capture.exports.table import Row, Table
from capture.extras import needs_extra

_GROUP = 20_000  # rows


def write_parquet(table: Table, out: BinaryIO) -> int:
    """Write a table as Parquet; give how many rows. Columns are named without units.

    Raises:
        MissingExtraError: the part that writes Parquet is not installed.
    """
    with needs_extra("writing XLSX and Parquet", "export"):
        import pyarrow as pa  # noqa: PLC0415 - heavy, and an extra
        import pyarrow.parquet as pq  # noqa: PLC0415 - same
    kinds = {
        "text": pa.string(),
        "number": pa.float64(),
        "count": pa.int64(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    schema = pa.schema(
        [
            pa.field(
                column.name,
                kinds[column.kind],
                metadata={"unit": column.unit} if column.unit else None,
            )
            for column in table.columns
        ],
        metadata=dict(table.about),
    )
    count = 0
    rows = iter(table.rows)
    with pq.ParquetWriter(out, schema, compression="zstd") as writer:
        while group := list(islice(rows, _GROUP)):
            columns = {column.name: list(_cells(group, column.name)) for column in table.columns}
            writer.write_table(pa.table(columns, schema=schema))
            count += len(group)
    return count


def _cells(group: list[Row], name: str) -> Iterator[Any]:
    for row in group:
        cell = row.get(name)
        # Lone surrogates, which a reading's text may hold, are no UTF-8.
        yield (
            cell.encode("utf-8", "backslashreplace").decode("utf-8")
            if isinstance(cell, str)
            else cell
        )
