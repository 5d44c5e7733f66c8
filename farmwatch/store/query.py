"""SQL over the records: DuckDB reads the Parquet files, and may do nothing else.

A user's SQL is a single SELECT. It sees the tables as views and no other file, no network, no setting and no extension:
the statement's kind is checked before it runs, and the connection itself is locked to the farm's own folders.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from farmwatch.records import TABLES
from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError, one_line
from farmwatch.store.findings import SCHEMAS, nights

if TYPE_CHECKING:
    import duckdb


_BATCH_ROWS = 100_000
_ANSWER_BYTES = 1 << 30  # a third of it as text would fill any terminal or spreadsheet
_MEMORY = "4GB"  # for the query's own work; what would go beyond is an error, not a full machine


class BadQuery(Exception):
    """SQL that is wrong or not allowed; the message says so in one line."""


def query(farm: Farm, sql: str) -> pa.Table:
    """The answer to one SELECT over the views of the farm. Raises :class:`BadQuery`.

    Views: the tables of the records; ``findings`` (as the last night left them), ``findings_by_night``, ``evidence``
    (the plates of each finding) and ``checks``. Times come in the farm's zone.
    """
    import duckdb

    if not sql.isascii() and sql.encode(errors="replace").decode() != sql:
        raise BadQuery("not text in Unicode")
    connection = duckdb.connect(":memory:")
    try:
        _make_views(connection, farm)
        _lock(connection, farm)
        try:
            statements = connection.extract_statements(sql)
            if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
                raise BadQuery("one SELECT is what a query may be: the records are read, never changed")
            return _answer(connection.sql(statements[0]))
        except (duckdb.Error, pa.ArrowException, UnicodeError) as error:
            raise BadQuery(one_line(error)) from None
    finally:
        connection.close()


def _answer(relation: duckdb.DuckDBPyRelation) -> pa.Table:
    """The whole answer. Raises :class:`BadQuery` as soon as it proves larger than a person or the memory can take."""
    size = 0
    with relation.to_arrow_reader(_BATCH_ROWS) as reader:
        batches = []
        for batch in reader:
            size += batch.nbytes
            if size > _ANSWER_BYTES:
                raise BadQuery(f"the answer is larger than {_ANSWER_BYTES >> 20} MiB: ask for less, or for totals")
            batches.append(batch)
        return pa.Table.from_batches(batches, reader.schema)


def _make_views(connection: duckdb.DuckDBPyConnection, farm: Farm) -> None:
    for table in TABLES:
        folder = farm.folder(table)
        _view(connection, table, list(folder.files().values()), folder.schema())
    known = nights(farm)
    for name, schema in SCHEMAS.items():
        files = [farm.findings_path / name / f"night={night.isoformat()}.parquet" for night in known]
        _view(connection, "findings_by_night" if name == "ledger" else name, [f for f in files if f.exists()], schema)
    last = f"DATE '{known[-1]}'" if known else "NULL"
    connection.execute(f"CREATE VIEW findings AS SELECT * FROM findings_by_night WHERE night = {last}")


def _view(connection: duckdb.DuckDBPyConnection, name: str, files: list[Path], schema: pa.Schema) -> None:
    import duckdb

    if not files:
        connection.register(name, schema.empty_table())
        return
    listed = ", ".join("'" + _escaped(path) + "'" for path in files)
    columns = ", ".join('"' + column.replace('"', '""') + '"' for column in schema.names)
    try:
        connection.execute(
            f"CREATE VIEW {name} AS SELECT {columns} "
            f"FROM read_parquet([{listed}], union_by_name = true, hive_partitioning = false)"
        )
    except duckdb.Error as error:
        said = str(error).splitlines()[0]  # below it stands our own SQL
        raise StoreError(f"{name}: cannot be read ({said}); farmwatch doctor says what to do") from None


def _escaped(path: Path) -> str:
    """``path`` for a SQL text in which it is read as a pattern: its own brackets and stars mean themselves."""
    return _quoted("".join(f"[{letter}]" if letter in "*?[" else letter for letter in str(path)))


def _quoted(text: str) -> str:
    return text.replace("'", "''")


def _lock(connection: duckdb.DuckDBPyConnection, farm: Farm) -> None:
    # both spellings: a path is checked as it was written in the view
    allowed = [
        f"'{spelling}/'"
        for path in (farm.records_path, farm.findings_path)
        for spelling in (_quoted(str(path)), _escaped(path))
    ]
    folders = ", ".join(allowed)
    for setting in (
        f"TimeZone = '{farm.timezone}'",
        "autoinstall_known_extensions = false",
        "autoload_known_extensions = false",
        "python_enable_replacements = false",
        "temp_directory = ''",
        f"memory_limit = '{_MEMORY}'",
        f"allowed_directories = [{folders}]",
        "enable_external_access = false",
        "lock_configuration = true",
    ):
        connection.execute(f"SET {setting}")
