"""The record's tables as Parquet files, a part at a time: years fit into little memory. Needs the extra `parquet`."""

from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from drymon.errors import SetupError
from drymon.views.rows import Row
from drymon.views.table_schema import TABLES, TEXT, TYPES, typed

PART = 10_000
"""Rows held at a time."""


def write_parquet(what: str, rows: Iterable[Row], file: Path) -> int:
    """Write one of TABLES, its rows with their head, compressed by zstd; how many rows. Moments are UTC, to the
    microsecond. SetupError where the library is not installed.
    """
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise SetupError("a .parquet file needs one more library: pip install 'drymon[parquet]'") from None
    names = TABLES[what]
    table = pyarrow.schema([(name, _kind(pyarrow, name)) for name in names])
    count = 0
    body = iter(rows)
    next(body)
    with parquet.ParquetWriter(file, table, compression="zstd") as writer:
        for part in _parts(body):
            columns = zip(*(typed(row, names) for row in part), strict=True)
            arrays = [_array(pyarrow, list(column), field.type) for column, field in zip(columns, table, strict=True)]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=table))
            count += len(part)
    return count


def _parts(rows: Iterator[Row]) -> Iterator[list[Row]]:
    while part := list(islice(rows, PART)):
        yield part


def _kind(pyarrow: Any, name: str) -> Any:
    kind = TYPES.get(name, TEXT)["type"]
    return {
        "datetime": pyarrow.timestamp("us", tz="UTC"),
        "number": pyarrow.float64(),
        "integer": pyarrow.int32(),
        "boolean": pyarrow.bool_(),
    }.get(kind, pyarrow.string())


def _array(pyarrow: Any, values: list[Any], kind: Any) -> Any:
    if pyarrow.types.is_timestamp(kind):
        from drymon.messages.times import parse_time

        return pyarrow.array([None if value is None else parse_time(value) for value in values], kind)
    return pyarrow.array(values, kind)
