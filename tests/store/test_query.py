"""SQL over the records: everything can be read, nothing else can be done."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import pyarrow as pa
import pytest

from farmwatch.records import TABLES
from farmwatch.store import BadQuery, Farm, query

UTC = pa.timestamp("us", tz="UTC")


@pytest.fixture
def stocked(tmp_path: Path) -> Farm:
    """A farm with one run, in a folder whose name would be a pattern and a quote."""
    farm = Farm.create(tmp_path / "o'farm [a*]", "Europe/Berlin")
    start = pa.array([dt.datetime(2031, 4, 1, 22, 30, tzinfo=dt.UTC)], UTC)
    row = {"run_id": ["r1"], "printer_id": ["p1"], "started_at": start, "outcome": ["good"], "colour": ["red"]}
    farm.put("runs", pa.table(row))
    return farm


def test_tables_are_views_even_when_empty(stocked: Farm) -> None:
    for table in [*TABLES, "findings", "findings_by_night", "evidence", "checks"]:
        assert query(stocked, f"SELECT count(*) AS n FROM {table}")["n"].to_pylist() == [1 if table == "runs" else 0]
    answer = query(stocked, "SELECT run_id, colour, vat_c FROM runs")
    assert answer.to_pylist() == [{"run_id": "r1", "colour": "red", "vat_c": None}]
    assert "filed" not in query(stocked, "SELECT * FROM runs").column_names


def test_days_are_the_farms_own(stocked: Farm) -> None:
    assert query(stocked, "SELECT started_at::DATE AS day FROM runs")["day"].to_pylist() == [dt.date(2031, 4, 2)]


def test_what_a_reader_may_write(stocked: Farm) -> None:
    sql = "WITH a AS (SELECT count(*) AS n FROM runs) SELECT list_transform([n], lambda x: x + 1) AS m FROM a"
    assert query(stocked, sql)["m"].to_pylist() == [[2]]
    assert query(stocked, "FROM runs SELECT run_id;").num_rows == 1
    assert query(stocked, "DESCRIBE runs").num_rows == len(TABLES["runs"].columns) + 1


REFUSED = [
    "COPY runs TO '{outside}/x.csv'",
    "COPY runs TO '{records}/x.csv'",
    "COPY (SELECT 1) TO '{records}/runs/filed=unknown/rows.parquet'",
    "EXPLAIN ANALYZE COPY runs TO '{outside}/x.csv'",
    "EXPORT DATABASE '{outside}'",
    "ATTACH '{outside}/x.db'",
    "INSTALL httpfs",
    "LOAD httpfs",
    "SET threads = 1",
    "SET enable_external_access = true",
    "RESET lock_configuration",
    "PRAGMA enable_external_access",
    "CREATE TABLE t AS SELECT 1",
    "CREATE OR REPLACE VIEW runs AS SELECT 1",
    "DROP VIEW runs",
    "INSERT INTO runs SELECT * FROM runs",
    "DELETE FROM runs",
    "CALL pragma_version()",
    "SELECT 1; SELECT 2",
    "SELECT 1; COPY runs TO '{outside}/x.csv'",
    "SELECT * FROM read_csv('/etc/passwd')",
    "SELECT * FROM read_text('/etc/passwd')",
    "SELECT * FROM read_blob('{outside}/secret')",
    "SELECT * FROM read_parquet('{records}/../farm.toml')",
    "SELECT * FROM read_text('{records}/../farm.toml')",
    "SELECT * FROM glob('/etc/*')",
    "SELECT * FROM '/etc/passwd'",
    "SELECT * FROM '{outside}/secret.csv'",
    "SELECT * FROM read_csv('http://127.0.0.1:9/x.csv')",
    "SELECT * FROM 's3://bucket/x.parquet'",
    "SELECT * FROM query('COPY runs TO ''{outside}/x.csv''')",
    "SELECT * FROM stocked",
    "SELECT getenv('HOME')",
    "SELECT * FROM read_text('/proc/self/environ')",
    "SELECT * FROM read_blob('file:///etc/passwd')",
    "SELECT * FROM read_csv(['{records}/x.csv', '/etc/passwd'])",
    "SELECT * FROM read_text('{records}/./../deliveries/x')",
    "SELECT * FROM sniff_csv('/etc/passwd')",
    "SELECT * FROM read_json('/etc/passwd')",
    "SELECT * FROM parquet_metadata('/etc/passwd')",
    "SELECT * FROM parquet_schema('/etc/passwd')",
    "SELECT * FROM read_duckdb('{outside}/x.db')",
    "SELECT * FROM sqlite_scan('{outside}/x.db', 'a')",
    "SELECT * FROM duckdb_secrets()",
    "SELECT * FROM duckdb_extensions()",
    "CREATE SECRET s (TYPE http, BEARER_TOKEN 'x')",
    "SET VARIABLE x = 1",
    "PREPARE x AS SELECT 1",
    "EXECUTE x",
    "CALL enable_logging()",
    "USE memory",
    "VACUUM",
    "CHECKPOINT",
    "IMPORT DATABASE '{outside}'",
    "CREATE MACRO f() AS 1",
    "UPDATE runs SET run_id = 'x'",
    "BEGIN",
    "SELECT * FROM arrow_scan(1, 2, 3)",
    "SELECT * FROM nowhere",
    "SELECT nothing FROM runs",
    "SELEC 1",
    "SELECT 1 / 'a'::INTEGER",
    "",
    "   ",
    "-- nothing",
    "\x00",
    "\udcff",
]


def test_everything_else_is_refused_in_one_line(stocked: Farm, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").write_text("secret")
    (outside / "secret.csv").write_text("a\n1\n")
    before = sorted(path for path in tmp_path.rglob("*"))
    for sql in REFUSED:
        records = str(stocked.records_path).replace("'", "''")
        with pytest.raises(BadQuery) as refusal:
            query(stocked, sql.format(outside=outside, records=records) if "{" in sql else sql)
        assert str(refusal.value)
        assert "\n" not in str(refusal.value)
    assert sorted(path for path in tmp_path.rglob("*")) == before
    assert query(stocked, "SELECT run_id FROM runs").num_rows == 1


def test_an_answer_without_end_is_refused_before_it_fills_the_memory(
    stocked: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules["farmwatch.store.query"], "_ANSWER_BYTES", 1 << 22)
    with pytest.raises(BadQuery, match=r"larger than 4 MiB"):
        query(stocked, "SELECT * FROM range(1000000000000)")
    assert query(stocked, "SELECT * FROM range(300000)").num_rows == 300_000


def test_a_notebook_asks_through_the_same_gate(stocked: Farm) -> None:
    from farmwatch.notebook import open_farm

    opened = open_farm(stocked.path)
    assert opened.sql("SELECT run_id FROM runs")["run_id"].tolist() == ["r1"]
    for sql in ("COPY runs TO '/tmp/x.csv'", "SELECT * FROM read_text('/etc/passwd')", "SELECT 1; SELECT 2"):
        with pytest.raises(BadQuery):
            opened.sql(sql)
