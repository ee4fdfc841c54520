"""From positions of failing rows to findings a person can act on: file row, file column, rule, what was found."""

from collections.abc import Iterator, Mapping, Sequence

import polars as pl

from pipelines.checking.computed import order_texts
from pipelines.checking.rules import ALL_MEASURES, PLAUSIBLE, Rule
from pipelines.checking.tables import Assembled, Positions, main_table
from pipelines.contract.delivery import Delivery
from pipelines.deidentify.redaction import redact_series
from pipelines.points.tracing import POINTS, READING_OF_POINTS, TRACING, points_of, usual_codes
from warehouse.measures.measure import Measure
from warehouse.measures.plausibility import check_plausibility

_WHERE = ("x", "y")


def told_at_their_points(
    found: pl.DataFrame, rules: Mapping[str, Rule], deliveries: Sequence[Delivery], catalogue: Mapping[str, Measure]
) -> pl.DataFrame:
    """Findings on readings made from points stand at the rows of the points, and name the measure; same columns."""
    told = found
    for file, delivery in enumerate(deliveries):
        if POINTS in delivery.tables and "readings" in delivery.tables:
            mine = (pl.col("file") == file) & (pl.col("table") == "measurements")
            told = pl.concat([told.filter(~mine), _of_file(told.filter(mine), rules, delivery, catalogue)])
    return told


def _of_file(
    found: pl.DataFrame, rules: Mapping[str, Rule], delivery: Delivery, catalogue: Mapping[str, Measure]
) -> pl.DataFrame:
    remarks, spread = [found.clear()], []
    for (rule_id,), rows in found.partition_by("rule", as_dict=True, maintain_order=True).items():
        rule = rules[str(rule_id)]
        told = _worded(rule, rows.unique("row", keep="first", maintain_order=True), delivery)
        if rule.severity == "warn":
            remarks.append(told)
        else:
            spread.append(_at_points(rule, told, delivery, catalogue))
    return pl.concat([*remarks, *([_shared(pl.concat(spread)).select(found.columns)] if spread else [])])


def _worded(rule: Rule, rows: pl.DataFrame, delivery: Delivery) -> pl.DataFrame:
    codes = _codes(rule, delivery)
    named = pl.format(f"{codes[0]} {{}}", "found") if len(rule.columns) == 1 and codes else pl.col("found")
    return rows.with_columns(
        found=pl.format("{} (from the points)", named), table=pl.lit(POINTS), column=pl.lit(None, dtype=pl.String)
    )


def _codes(rule: Rule, delivery: Delivery) -> list[str]:
    return [code for code in rule.columns if code in delivery.tables["readings"].columns]


def _at_points(rule: Rule, rows: pl.DataFrame, delivery: Delivery, catalogue: Mapping[str, Measure]) -> pl.DataFrame:
    """The findings of one rule, one row a point, with ``first``, the row of the reading."""
    where = ", ".join(delivery.columns.get(name, name) for name in _WHERE)
    at = _rows_of_points(rows.select("row"), [catalogue[code] for code in _codes(rule, delivery)], delivery)
    spread = at.join(rows.rename({"row": "first"}), on="first", how="inner", maintain_order="left")
    return spread.with_columns(column=pl.lit(where)).cast({"row": rows.schema["row"]})


def _shared(spread: pl.DataFrame) -> pl.DataFrame:
    """Where some points belong to every measure turned away of a reading, only those: they explain all of it."""
    of_reading = spread.group_by("first").agg(pl.col("rule").n_unique().alias("n_rules"))
    of_point = spread.group_by("first", "row").agg(pl.col("rule").n_unique().alias("n_of_point"))
    counted = of_point.join(of_reading, on="first").with_columns(explains=(pl.col("n_of_point") == pl.col("n_rules")))
    kept = counted.filter(pl.col("explains") | ~pl.col("explains").any().over("first")).select("first", "row")
    return spread.join(kept, on=["first", "row"], how="semi", maintain_order="left")


def _rows_of_points(first: pl.DataFrame, measures: Sequence[Measure], delivery: Delivery) -> pl.DataFrame:
    """``first`` (row of the reading) and ``row`` (row of a point that the measures are made of)."""
    readings = delivery.tables["readings"]
    points = usual_codes(delivery.tables[POINTS]).select("row", *TRACING, "landmark")
    parts = []
    for measure in measures:
        code = measure.code
        placed = readings.select(pl.col("row").alias("first"), *READING_OF_POINTS).with_columns(
            delivery.value_views[code].alias("view"), there=readings[code].is_not_null()
        )
        concerned = placed.filter("there").join(first, left_on="first", right_on="row", how="semi")
        of_measure = points.filter(pl.col("landmark").is_in(points_of(measure)))
        parts.append(of_measure.join(concerned, on=list(TRACING)).select("first", "row"))
    nothing = first.select(pl.col("row").alias("first"), "row").clear()
    return pl.concat([nothing, *parts]).unique().sort("first", "row")


SCHEMA = {
    "file": pl.UInt16,
    "table": pl.String,
    "row": pl.UInt32,
    "column": pl.String,
    "rule": pl.String,
    "found": pl.String,
    "case_id": pl.String,
}
OF_THE_ROW = frozenset({"case_id", "timepoint", "phase_no", "examiner", "repeat_no"})
"""Columns that, in a file of one row a case, are told by the name of a column and not by a cell."""
HARMLESS = r"^(?:\d{2}(?: \d{2})*|\d{4}-Q[1-4])$"  # lists of tooth codes and quarters, which tell nothing of a person
MAX_ROWS_NAMED = 5


def findings(
    failing: Mapping[str, Positions], rules: Mapping[str, Rule], assembled: Assembled, deliveries: Sequence[Delivery]
) -> pl.DataFrame:
    """One row a failing row and rule (for single values: a failing value and rule), in the columns of ``SCHEMA``."""
    parts = [
        part
        for rule_id, positions in failing.items()
        if len(positions)
        for part in _of_rule(rules[rule_id], positions, assembled, [delivery.source.name for delivery in deliveries])
    ]
    found = pl.concat(parts) if parts else pl.DataFrame(schema=SCHEMA)
    return _in_words_of_the_files(found, deliveries)


def cell_findings(deliveries: Sequence[Delivery]) -> pl.DataFrame:
    """The cells that could not be understood, as findings."""
    parts = [pl.DataFrame(schema=SCHEMA)]
    for file, delivery in enumerate(deliveries):
        if delivery.problems.is_empty():
            continue
        cases = delivery.tables[main_table(delivery)].select("row", "case_id")
        told = delivery.problems.join(cases, on="row", how="left", maintain_order="left")
        parts.append(told.with_columns(file=pl.lit(file)).select(pl.col(n).cast(t) for n, t in SCHEMA.items()))
    return pl.concat(parts)


def _of_rule(rule: Rule, positions: Positions, assembled: Assembled, files: list[str]) -> Iterator[pl.DataFrame]:
    tables = assembled.tables
    rows = tables[rule.table][positions]
    columns = tables.measure_columns() if rule.columns == (ALL_MEASURES,) else list(rule.columns)
    if rule.value == "points_keep_their_order":
        rows = rows.with_columns(found=order_texts(tables)[positions])
    else:
        rows = rows.with_columns(found=_found(rule, rows, columns, files))
    if rule.table != "readings":
        of_wide = pl.Series(tables.wide[rows["file"].to_numpy()])
        yield _selected(rule, rows.filter(of_wide), _wide_column(rule.table, columns))
        yield _selected(rule, rows.filter(~of_wide), pl.lit(", ".join(columns)))
        return
    named = pl.lit(None, dtype=pl.String) if rule.columns == (ALL_MEASURES,) else _wide_column("readings", columns)
    yield _selected(rule, rows.filter(pl.Series(tables.wide[rows["file"].to_numpy()])), named)
    for code in columns:
        lines = assembled.value_rows.get(code)
        if lines is not None:
            of_value = rows.with_columns(row=pl.Series(lines[positions])).filter(pl.col("row") > 0)
            yield _selected(rule, of_value, pl.lit("value"))


def _selected(rule: Rule, rows: pl.DataFrame, column: pl.Expr) -> pl.DataFrame:
    table = "measurements" if rule.table == "readings" else rule.table
    told = rows.with_columns(column=column, table=pl.lit(table), rule=pl.lit(rule.id))
    return told.select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def _wide_column(table: str, columns: Sequence[str]) -> pl.Expr:
    """Contract names of the cells in a file of one row a case, joined by commas."""
    if table == "cases":
        return pl.lit(", ".join(columns))
    cells = [name for name in columns if name not in OF_THE_ROW]
    if table == "phases":
        names = [pl.format(f"phase_{{}}_{name}", "phase_no") for name in cells or ["appliance_category"]]
    else:
        ending = pl.lit("")
        if table == "readings":
            again = pl.format("_repeat{}", "repeat_no")
            ending = pl.when(pl.col("repeat_no") > 1).then(again).otherwise(pl.lit(""))
        names = [pl.format(f"{name}_{{}}{{}}", "timepoint", ending) for name in cells]
    return pl.concat_str(names, separator=", ") if names else pl.lit(None, dtype=pl.String)


def _found(rule: Rule, rows: pl.DataFrame, columns: Sequence[str], files: list[str]) -> pl.Series:
    """What the row holds in the columns of the rule, after redaction; text of shape (rows,)."""
    if rule.kind == "unique":
        return _rows_of_key(rows, [name for name in columns if name != "case_id"], files)
    if rule.value in ("case_is_known", "case_was_accepted"):
        return pl.Series("found", ["no row of this case"], dtype=pl.String).new_from_index(0, rows.height)
    if len(columns) == 1:
        return _shown(rows[columns[0]])
    texts = [pl.when(rows[name].is_not_null()).then(pl.format(f"{name} {{}}", _shown(rows[name]))) for name in columns]
    said = pl.select(pl.concat_str(texts, separator=", ", ignore_nulls=True).alias("found"))["found"]
    if not rule.measures:
        return said
    keyed = rows.with_row_index("place")
    causes = check_plausibility(keyed, keys=["place"], rules=[PLAUSIBLE[rule.measures]])
    likely = keyed.select("place").join(causes, on="place", how="left", maintain_order="left")["likely_cause"]
    return pl.select(pl.format("{}; likely: {}", said, likely).alias("found"))["found"]


def _rows_of_key(rows: pl.DataFrame, others: Sequence[str], files: list[str]) -> pl.Series:
    """The rows of the load that share a key, named in each of them, with their file where there are several."""
    key = ["case", *others]
    line = pl.col("row").cast(pl.String)
    if rows["file"].n_unique() > 1:
        line = pl.format(
            "{} of {}", line, pl.col("file").replace_strict(dict(enumerate(files)), return_dtype=pl.String)
        )
    listed = (
        rows.sort("file", "row").group_by(key).agg(line.head(MAX_ROWS_NAMED).str.join(", ").alias("lines"), n=pl.len())
    )
    more = pl.when(pl.col("n") > MAX_ROWS_NAMED).then(pl.lit(" ...")).otherwise(pl.lit(""))
    listed = listed.select(*key, pl.format("the same in rows {}{}", "lines", more).alias("found"))
    return rows.select(key).join(listed, on=key, how="left", nulls_equal=True, maintain_order="left")["found"]


def _shown(values: pl.Series) -> pl.Series:
    """Values as they may be shown; each distinct one is redacted once."""
    if values.dtype.is_float():
        values = values.round(4)
    texts = values.cast(pl.String).str.replace(r"\.0$", "").alias("text")
    distinct = texts.unique()
    told = redact_series(distinct).set(distinct.str.contains(HARMLESS).fill_null(value=False), "")
    told = pl.select(pl.when(told == "").then(distinct).otherwise(told).alias("found"))["found"]
    pairs = pl.DataFrame({"text": distinct, "found": told})
    return texts.to_frame().join(pairs, on="text", how="left", nulls_equal=True, maintain_order="left")["found"]


def _in_words_of_the_files(found: pl.DataFrame, deliveries: Sequence[Delivery]) -> pl.DataFrame:
    """Contract column names replaced by those of each file."""
    parts = []
    for file, delivery in enumerate(deliveries):
        of_file = found.filter(pl.col("file") == file)
        names = of_file["column"].drop_nulls().unique().to_list()
        spoken = {name: ", ".join(delivery.columns.get(one, one) for one in name.split(", ")) for name in names}
        parts.append(of_file.with_columns(pl.col("column").replace(spoken)))
    return pl.concat(parts) if parts else found
