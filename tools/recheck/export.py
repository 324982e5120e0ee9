"""The results' tables as Parquet or CSV files, one a table, for other programs."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from sqlalchemy import Column, select

from calib_data.results import Table, opened

ROWS_AT_ONCE = 50_000  # in memory; a table of any length goes through
_TYPES = {int: pa.int64(), float: pa.float64(), bool: pa.bool_(), str: pa.string()}
_WRITERS = {"parquet": pa.parquet.ParquetWriter, "csv": pa.csv.CSVWriter}


def written(results: Path, folder: Path, ending: str) -> Iterator[Path]:
    """Write all tables into files that end with `parquet` or `csv`; each when it stands.

    JSON columns become text. What is not known is null in Parquet and nothing in CSV.

    Raises:
        InputFileError: `results` is no file of results.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with opened(results, makes=False) as engine, engine.connect() as connection:
        for name, table in Table.metadata.tables.items():
            schema = pa.schema([(column.name, _type(column)) for column in table.columns])
            rows = connection.execution_options(yield_per=ROWS_AT_ONCE).execute(select(table))
            path = folder / f"{name}.{ending}"
            with _WRITERS[ending](path, schema) as out:
                for part in rows.mappings().partitions():
                    out.write_table(pa.Table.from_pylist([_plain(row) for row in part], schema))
            yield path


def _type(column: Column[Any]) -> pa.DataType:
    return _TYPES.get(column.type.python_type, pa.string())


def _plain(row: Any) -> dict[str, Any]:
    return {key: json.dumps(value) if isinstance(value, dict | list) else value for key, value in row.items()}
