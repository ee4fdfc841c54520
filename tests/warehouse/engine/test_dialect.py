"""The rules by which a statement of ours becomes one of Spark's, and what is refused."""

from __future__ import annotations

import math

import duckdb
import pytest
import sqlglot
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.engine.dialect import translated
from warehouse.errors import EngineError


def spark(sql: str, *parameters: object) -> str:
    return translated(sql, parameters).text


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("select a from mart.main.mart_cases", "SELECT a FROM mart_cases"),
        ("select a from menton.main.loads", "SELECT a FROM loads"),
        ("select cast(a as enum('x', 'y')) as b from t", "SELECT a AS b FROM t"),
        ("select * replace (cast(a as enum('x')) as a) from t", "SELECT * FROM t"),
        ("select arg_min(a, b) from t", "SELECT MIN_BY(a, b) FROM t"),
        ("select cast(null as varchar) as a", "SELECT CAST(NULL AS STRING) AS a"),
        ("select a, b, count(*) from t group by all", "SELECT a, b, COUNT(*) FROM t GROUP BY 1, 2"),
        ("select a, b from t order by all", "SELECT a, b FROM t ORDER BY 1 NULLS LAST, 2 NULLS LAST"),
        ("select round(a, 6) from t", "SELECT (ROUND((a) * 1e6) / 1e6) FROM t"),
        ("select round(a) from t", "SELECT ROUND(a) FROM t"),
        ("with x as materialized (select a from t) select a from x", "WITH x AS (SELECT a FROM t) SELECT a FROM x"),
        ("select a from t where b is distinct from c", "SELECT a FROM t WHERE b IS DISTINCT FROM c"),
    ],
)
def test_what_the_dialects_say_differently(ours: str, theirs: str) -> None:
    assert spark(ours) == theirs


def test_parameters_are_written_in_as_literals_and_cannot_end_them() -> None:
    text = spark("select a from t where b = ? and c = ? and d in (?, ?)", "x' or '1'='1", 3, 2.5, "back\\slash")
    assert text == "SELECT a FROM t WHERE b = 'x\\' or \\'1\\'=\\'1' AND c = 3 AND d IN (2.5e0, 'back\\\\slash')"


def test_as_many_parameters_as_places() -> None:
    with pytest.raises(EngineError, match="1 places for parameters and was given 2"):
        spark("select a from t where b = ?", 1, 2)


@pytest.mark.parametrize(
    ("statement", "kind", "table"),
    [
        ("create table mart.main.x as select a from t", "table", "x"),
        ("create view mart.main.x as select a from t", "view", "x"),
        ("create temp table x as select a from t", "scratch", "x"),
        ("insert into mart.main.x by name select a from t", "append", "x"),
        ("drop table x", "drop", "x"),
        ("set search_path = 'mart.main,menton.main'", "session", ""),
        ("use menton", "session", ""),
        ("select a from t", "query", ""),
    ],
)
def test_kinds_of_statements(statement: str, kind: str, table: str) -> None:
    found = translated(statement)
    assert (found.kind, found.table) == (kind, table)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("select date_diff('month', a, b) from t", "the function datediff"),
        ("select dayofweek(a) from t", "the function day_of_week"),
        ("select list(a order by b) from t", "the function array_agg"),
        ("select string_agg(a, ',' order by b) from t", "the function group_concat"),
        ("select hash(a) from t", "the function hash"),
        ("select quantile_cont(a, 0.5e0) from t", "the function"),
        ("select median(a) from t", "the function median"),
        ("select first(a) from t", "the function first"),
        ("select any_value(a) from t", "the function any_value"),
        ("select regexp_matches(a, 'b') from t", "regular expression"),
        ("select list_contains([1, 2], a) from t", "a list"),
        ("select {'a': 1} as s from t", "a structure"),
        ("select a[1] from t", "an element or a slice of a list"),
        ("select unnest(a) from t", "the function explode"),
        ("select my_macro(a) from t", "the function my_macro"),
        ("select random() from t", "the function rand"),
        ("select a // 2 from t", "division of whole numbers"),
        ("select a % 2 from t", "a remainder"),
        ("select a / b from t", "a division that may be by zero"),
        ("select a / 2 from t", "a division of what may be whole numbers"),
        ("select 0.3 * a from t", "which is a decimal: write 0.3e0"),
        ("select cast(a as integer) from t", "a cast to a whole number without rounding"),
        ("select cast(a as decimal(9, 2)) from t", "a cast to DECIMAL"),
        ("select try_cast(a as double) from t", "a cast that gives null where it fails"),
        ("select a from t asof join u on t.x >= u.x", "a join of the kind ASOF"),
        ("select a from t positional join u", "a join of the kind POSITIONAL"),
        ("select a from t natural join u", "a join of the kind NATURAL"),
        ("select a from read_csv('x.csv')", "a table made by a function"),
        ("select a from t using sample 10", "a sample of rows"),
        ("select * exclude (a) from t", "name the columns"),
        ("select * replace (a + 1 as a) from t", "name the columns"),
        ("select columns('a.*') from t", "COLUMNS()"),
        ("select a from t limit 3", "LIMIT without an order"),
        ("select row_number() over () from t", "a window without an order"),
        ("select a from t where a ilike 'x'", "ILIKE"),
        ("select list_filter(a, x -> x > 1) from t", "lambda"),
    ],
)
def test_what_changes_a_value_or_breaks_is_refused(statement: str, said: str) -> None:
    with pytest.raises(EngineError, match="otherwise or not at all") as refused:
        translated(statement)
    assert said in refused.value.found


@pytest.mark.parametrize("statement", ["pivot t on a using sum(b)", "create macro f(x) as x", "update t set a = 1"])
def test_other_kinds_of_statements_are_refused(statement: str) -> None:
    with pytest.raises(EngineError):
        translated(statement)


def test_what_is_no_statement_is_refused() -> None:
    with pytest.raises(EngineError, match="cannot be read"):
        translated("select from where (")


ROUND = translated("select round(a, 6) as a from t").text


@settings(max_examples=40)
@given(st.floats(-1e6, 1e6) | st.integers(-(10**12), 10**12).map(lambda n: n / 1e6 + 5e-7))
def test_rounding_is_that_of_duckdb_at_every_tie(value: float) -> None:
    """The rule's text, given back to DuckDB, is DuckDB's own rounding; Spark rounds to whole numbers alike."""
    back = sqlglot.transpile(ROUND, read="spark", write="duckdb")[0]
    with duckdb.connect() as connection:
        connection.execute("create table t as select cast(? as double) as a", [value])
        (rounded,) = connection.execute(back).fetchone() or (math.nan,)
        (own,) = connection.execute("select round(a, 6) from t").fetchone() or (math.nan,)
    assert rounded == own
