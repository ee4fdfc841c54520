"""From a statement of ours, in DuckDB's dialect, to what Spark SQL runs with the same result.

There is one text of every statement. What the two dialects say differently is settled here, by rules on the syntax
tree: each rule is a function of its own, named in ``RULES``. What cannot be said in both, or would change a value
without an error, is refused by ``faults`` before anything runs.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import sqlglot
from sqlglot import exp
from sqlglot.errors import ErrorLevel, SqlglotError

from warehouse.errors import EngineError

ALLOWED: tuple[type[exp.Expr], ...] = (
    exp.Count, exp.Sum, exp.Min, exp.Max, exp.ArgMin, exp.ArgMax, exp.RowNumber, exp.Lag, exp.Lead,
    exp.Coalesce, exp.Nullif, exp.Greatest, exp.Least, exp.Case, exp.If, exp.Cast,
    exp.Round, exp.Abs, exp.Sqrt, exp.IsNan, exp.Substring, exp.And, exp.Or, exp.Exists,
)  # fmt: skip
"""Functions that give the same in both. Greatest and least leave out nulls in both; ``arg_min`` leaves out rows whose
rank is null in both; text is compared by its bytes in both."""

REFUSED: dict[type[exp.Expr], str] = {
    exp.Pivot: "PIVOT: write conditional sums",
    exp.Lambda: "a function of an element (lambda)",
    exp.Bracket: "an element or a slice of a list",
    exp.Dot: "a field of a structure",
    exp.Columns: "COLUMNS(): name the columns",
    exp.TableSample: "a sample of rows, which is another one each time",
    exp.IntDiv: "division of whole numbers (//)",
    exp.Mod: "a remainder, whose sign differs for decimals and lists",
    exp.SimilarTo: "a pattern of another kind than LIKE",
    exp.RegexpLike: "a regular expression: the two have different kinds",
    exp.Glob: "GLOB: write LIKE",
    exp.ILike: "ILIKE: what is lower case differs outside ASCII",
    exp.Unnest: "UNNEST",
    exp.Placeholder: "a parameter without a value",
    exp.Parameter: "a parameter by name",
    exp.WithinGroup: "an ordered aggregate",
    exp.Offset: "OFFSET",
    exp.Struct: "a structure",
    exp.Array: "a list",
}
"""Constructs that break or change a value in silence, with what is said of them."""

_TYPES = {
    exp.DataType.Type[one]
    for one in ["INT", "BIGINT", "DOUBLE", "BOOLEAN", "VARCHAR", "TEXT", "TIMESTAMP", "TIMESTAMPNTZ"]
}
_JOINS = {"", "LEFT", "RIGHT", "FULL"}
_WHOLE = (exp.Substring, exp.Round, exp.Count, exp.Literal, exp.Null, exp.Case, exp.Boolean)
_POSITIVE_COLUMNS = {"magnification_pct"}
"""Columns of which records are checked to lie above -100, so that 1 + column / 100 is above zero."""


def faults(query: exp.Expr) -> list[str]:
    """What the query holds that must not be there; empty where it may run on both."""
    return list(dict.fromkeys(fault for check in _CHECKS for fault in check(query)))


def _unknown_functions(query: exp.Expr) -> Iterator[str]:
    for function in query.find_all(exp.Func):
        if isinstance(function, exp.Anonymous):
            yield f"the function {function.name}"
        elif not isinstance(function, ALLOWED) and type(function) not in REFUSED:
            yield f"the function {function.sql_name().lower()}"


def _constructs(query: exp.Expr) -> Iterator[str]:
    for kind, said in REFUSED.items():
        if query.find(kind) is not None:
            yield said


def _decimals(query: exp.Expr) -> Iterator[str]:
    for literal in query.find_all(exp.Literal):
        text = literal.name.lower()
        if not literal.is_string and "." in text and "e" not in text:
            yield f"{literal.name}, which is a decimal: write {literal.name}e0"


def _casts(query: exp.Expr) -> Iterator[str]:
    for cast in query.find_all(exp.Cast):
        if isinstance(cast, exp.TryCast):
            yield "a cast that gives null where it fails"
        elif cast.to.this not in _TYPES:
            yield f"a cast to {cast.to.sql('duckdb')}"
        elif cast.to.this in {exp.DataType.Type.INT, exp.DataType.Type.BIGINT} and not isinstance(cast.this, _WHOLE):
            yield f"a cast to a whole number without rounding: {cast.sql('duckdb')[:60]}"


def _divisions(query: exp.Expr) -> Iterator[str]:
    for division in query.find_all(exp.Div):
        divisor = division.expression.unnest()
        is_enlargement = {column.name for column in divisor.find_all(exp.Column)} == _POSITIVE_COLUMNS
        if not (_is_number(divisor) or isinstance(divisor, exp.Nullif) or is_enlargement):
            yield f"a division that may be by zero: write nullif({divisor.sql('duckdb')[:40]}, 0e0)"
        if not (_is_double(division.this) or _is_double(divisor)):
            yield f"a division of what may be whole numbers: {division.sql('duckdb')[:60]}"


def _is_number(node: exp.Expr) -> bool:
    return isinstance(node, exp.Literal) and not node.is_string and float(node.name) != 0.0


def _is_double(node: exp.Expr) -> bool:
    """Whether the text itself shows a double: a literal with an exponent or a cast in it."""
    literals = any("e" in one.name.lower() for one in node.find_all(exp.Literal) if not one.is_string)
    return literals or any(cast.to.this == exp.DataType.Type.DOUBLE for cast in node.find_all(exp.Cast))


def _joins(query: exp.Expr) -> Iterator[str]:
    for join in query.find_all(exp.Join):
        if join.method or join.side not in _JOINS or join.kind not in {"", "INNER", "OUTER", "CROSS", "ANTI", "SEMI"}:
            yield f"a join of the kind {' '.join(filter(None, (join.method, join.side, join.kind)))}"
    for table in query.find_all(exp.Table):
        if not isinstance(table.this, exp.Identifier):
            yield f"a table made by a function: {table.sql('duckdb')[:40]}"


def _order(query: exp.Expr) -> Iterator[str]:
    for select in query.find_all(exp.Select):
        if select.args.get("limit") is not None and select.args.get("order") is None:
            yield "LIMIT without an order"
    for window in query.find_all(exp.Window):
        if window.args.get("order") is None and isinstance(window.this, (exp.RowNumber, exp.Lag, exp.Lead)):
            yield "a window without an order"


def _replacements(query: exp.Expr) -> Iterator[str]:
    for star in query.find_all(exp.Star):
        if star.args.get("replace") or star.args.get("except_") or star.args.get("rename"):
            yield "* with EXCLUDE, REPLACE or RENAME: name the columns"


_CHECKS: tuple[Callable[[exp.Expr], Iterator[str]], ...] = (
    _unknown_functions,
    _constructs,
    _decimals,
    _casts,
    _divisions,
    _joins,
    _order,
    _replacements,
)


Kind = Literal["query", "table", "append", "view", "scratch", "drop", "session"]


@dataclass(frozen=True, slots=True)
class Statement:
    """A statement as Spark is to run it."""

    # `query`; `table`, `view` or `scratch` (a temporary table) made from a query; `append` of a query to a table,
    # by column name; `drop`; `session` for what only concerns a DuckDB connection
    kind: Kind
    table: str  # The table made, added to or dropped; "" for others
    text: str  # The query in Spark SQL; "" for `drop` and `session`


def translated(sql: str, parameters: Sequence[object] | None = None) -> Statement:
    """The statement in Spark SQL, its parameters written into it.

    Raises EngineError: it cannot be read, or holds what Spark does otherwise or not at all.
    """
    return _translated(sql, tuple(parameters or ()))


@lru_cache(maxsize=64)
def _translated(sql: str, parameters: tuple[object, ...]) -> Statement:
    try:
        tree = sqlglot.parse_one(sql, read="duckdb")
    except SqlglotError as error:
        raise EngineError("a statement cannot be read as DuckDB's SQL", where=_opening(sql)) from error
    kind, table = _kind(tree, sql)
    if kind in {"session", "drop"}:
        return Statement(kind, table, "")
    query = tree if kind == "query" else tree.expression
    for rule in RULES:
        query = rule(query)
    query = _bound(query, parameters, sql)
    wrong = faults(query)
    if wrong:
        found = "a statement holds what Spark does otherwise or not at all: " + "; ".join(wrong)
        raise EngineError(found, where=_opening(sql), expected="what both read alike (warehouse/engine/dialect.py)")
    return Statement(kind, table, _spark(query, sql))


def _spark(query: exp.Expr, sql: str) -> str:
    try:
        return query.sql("spark", comments=False, unsupported_level=ErrorLevel.RAISE)
    except SqlglotError as error:
        raise EngineError("a statement cannot be written in Spark SQL", where=_opening(sql)) from error


def _opening(sql: str) -> str:
    return " ".join(sql.split())[:70]


def _kind(tree: exp.Expr, sql: str) -> tuple[Kind, str]:
    if isinstance(tree, exp.Query):
        return "query", ""
    if isinstance(tree, (exp.Set, exp.Use, exp.Detach)):
        return "session", ""
    if isinstance(tree, exp.Drop) and tree.kind in {"TABLE", "VIEW"} and len(tree.args["tables"]) == 1:
        return "drop", tree.args["tables"][0].name
    if isinstance(tree, exp.Insert) and tree.args.get("by_name") and isinstance(tree.expression, exp.Query):
        return "append", tree.this.name
    if isinstance(tree, exp.Create) and isinstance(tree.expression, exp.Query):
        if tree.kind == "VIEW":
            return "view", tree.this.name
        if tree.kind == "TABLE":
            is_scratch = tree.find(exp.TemporaryProperty) is not None
            return ("scratch" if is_scratch else "table"), tree.this.name
    found = f"a statement of a kind that cannot be translated ({type(tree).__name__})"
    raise EngineError(found, where=_opening(sql), expected="a query, or a table or view made from one")


def bare_names(query: exp.Expr) -> exp.Expr:
    """``mart.main.x`` and ``menton.main.x`` are ``x``: the tables of a build have one name space."""
    for table in query.find_all(exp.Table):
        if table.catalog in {"mart", "menton"} or (table.db == "main" and not table.catalog):
            table.set("catalog", None)
            table.set("db", None)
    return query


def plain_text_for_enumerations(query: exp.Expr) -> exp.Expr:
    """An enumeration is a way of keeping text, so a cast to one is left out.

    DuckDB refuses a code that is not listed. Here that is held beforehand: records with a code that the contract does
    not know are refused (``warehouse/engine/build.py``).
    """

    def plain(node: exp.Expr) -> exp.Expr:
        is_enum = isinstance(node, exp.Cast) and node.to.this == exp.DataType.Type.ENUM
        return node.this if is_enum else node

    return query.transform(plain, copy=False)


def no_idle_replacements(query: exp.Expr) -> exp.Expr:
    """``* replace (a as a)``, which is what an enumeration leaves behind, is ``*``."""
    for star in query.find_all(exp.Star):
        kept = [one for one in star.args.get("replace") or [] if not _is_idle(one)]
        star.set("replace", kept or None)
    return query


def _is_idle(replacement: exp.Expr) -> bool:
    inner = replacement.unalias()
    return isinstance(inner, exp.Column) and not inner.table and inner.name == replacement.alias_or_name


def rounding_of_doubles(query: exp.Expr) -> exp.Expr:
    """``round(x, n)`` is ``round(x * 10^n) / 10^n``, which is how DuckDB rounds a double.

    Spark rounds the shortest decimal text of the double instead, which differs where binary and decimal halves do.
    Rounded to a whole number the two are the same.
    """

    def scaled(node: exp.Expr) -> exp.Expr:
        digits = node.args.get("decimals") if isinstance(node, exp.Round) else None
        if not (isinstance(digits, exp.Literal) and digits.is_int and int(digits.name) > 0):
            return node
        factor = exp.Literal.number(f"1e{digits.name}")
        times = exp.Mul(this=exp.paren(node.this, copy=False), expression=factor)
        return exp.paren(exp.Div(this=exp.Round(this=times), expression=factor.copy(), typed=False, safe=False))

    return query.transform(scaled, copy=False)


def by_position_for_all(query: exp.Expr) -> exp.Expr:
    """``group by all`` and ``order by all`` name the positions they mean."""
    for select in query.find_all(exp.Select):
        group, order = select.args.get("group"), select.args.get("order")
        if group is not None and group.args.get("all"):
            plain = [n for n, one in enumerate(select.selects, start=1) if not one.find(exp.AggFunc)]
            select.set("group", exp.Group(expressions=[exp.Literal.number(n) for n in plain]))
        if order is not None and [one.this.name.lower() for one in order.expressions] == ["all"]:
            positions = range(1, len(select.selects) + 1)
            ordered = [exp.Ordered(this=exp.Literal.number(n), nulls_first=False) for n in positions]
            select.set("order", exp.Order(expressions=ordered))
    return query


def no_materialising_hints(query: exp.Expr) -> exp.Expr:
    """``with x as materialized`` concerns speed only, and Spark has no word for it."""
    for cte in query.find_all(exp.CTE):
        cte.set("materialized", None)
    return query


RULES: tuple[Callable[[exp.Expr], exp.Expr], ...] = (
    bare_names,
    plain_text_for_enumerations,
    no_idle_replacements,
    rounding_of_doubles,
    by_position_for_all,
    no_materialising_hints,
)
"""Rules in the order in which they are applied; ``arg_min`` and the names of types are known to sqlglot."""


def _bound(query: exp.Expr, parameters: tuple[object, ...], sql: str) -> exp.Expr:
    """The query with its parameters written in as literals, in order."""
    marks = list(query.find_all(exp.Placeholder, bfs=False))
    if len(marks) != len(parameters):
        found = f"a statement has {len(marks)} places for parameters and was given {len(parameters)}"
        raise EngineError(found, where=_opening(sql))
    for mark, value in zip(marks, parameters, strict=True):
        mark.replace(_literal(value))
    return query


def _literal(value: object) -> exp.Expr:
    """A value as a literal; a double with an exponent, since one without is a decimal."""
    is_plain_double = isinstance(value, float) and "e" not in repr(value)
    return exp.Literal.number(f"{value!r}e0") if is_plain_double else exp.convert(value)
