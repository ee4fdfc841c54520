"""What a statement may hold so that DuckDB and Spark give the same result.

A function is allowed when it is known to give the same, not refused when it is known to differ: a function nobody
looked at stands in neither list and is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sqlglot import exp

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
    exp.DataType.Type.INT,
    exp.DataType.Type.BIGINT,
    exp.DataType.Type.DOUBLE,
    exp.DataType.Type.BOOLEAN,
    exp.DataType.Type.VARCHAR,
    exp.DataType.Type.TEXT,
    exp.DataType.Type.TIMESTAMP,
    exp.DataType.Type.TIMESTAMPNTZ,
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
        if not (_is_number(divisor) or isinstance(divisor, exp.Nullif) or _is_enlargement(divisor)):
            yield f"a division that may be by zero: write nullif({divisor.sql('duckdb')[:40]}, 0e0)"
        if not (_is_double(division.this) or _is_double(divisor)):
            yield f"a division of what may be whole numbers: {division.sql('duckdb')[:60]}"


def _is_number(node: exp.Expr) -> bool:
    return isinstance(node, exp.Literal) and not node.is_string and float(node.name) != 0.0


def _is_enlargement(node: exp.Expr) -> bool:
    return {column.name for column in node.find_all(exp.Column)} == _POSITIVE_COLUMNS


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
