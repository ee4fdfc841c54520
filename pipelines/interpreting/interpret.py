"""From a raw table and a mapping to a delivery in contract terms."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date

import polars as pl

from pipelines.cells.reading import PSEUDONYM_FIELDS
from pipelines.cells.understood import Understood, bad_cells
from pipelines.contract.cell_rules import NOT_WHOLE, UNIT_DOES_NOT_FIT
from pipelines.contract.contract import Contract, ContractColumn
from pipelines.contract.delivery import Delivery, RawTable, ReadingAssumption
from pipelines.contract.targets import RULER, Target
from pipelines.contract.units import all_units, factor, unit_named
from pipelines.deidentify.contents import ONE_IS_ENOUGH, kinds_of
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.pseudonyms import PSEUDONYM_IN_WORDS, check_practice
from pipelines.deidentify.refusing import PLURALS
from pipelines.interpreting.columns import BadCells, constant_column, problem_frame, read_columns
from pipelines.interpreting.derived import DerivedValue, derive, months_from
from pipelines.interpreting.plan import make_plan
from pipelines.interpreting.reshaping import reshaped, without_doubles
from pipelines.mapping.column_mapping import BY_FINISH, ColumnMapping
from pipelines.mapping.file_columns import check_columns
from warehouse.errors import MappingError
from warehouse.measures.measure import Measure

FIRST_EXAMINER = "E1"
_KEYS = ("row", "case_id")


def wide_tables(
    derived: DerivedValue, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> dict[str, pl.DataFrame]:
    """The four tables of a wide file.

    ``cases`` has a row for each row of the file; ``phases`` and ``visits`` one where a cell of that phase or time is
    filled; ``readings`` one where a measure of that time and repeat is filled. Columns are those of the contract
    that are kept, null where the file lacks them; ``readings`` has the measures that the file has.
    """
    length = derived.rows.len()
    columns = dict(derived.values)
    for constant in mapping.constants.values():
        columns[constant.target.name] = constant_column(constant.value, length)
    frame = pl.DataFrame({"row": derived.rows.cast(pl.UInt32), **columns})
    layout = _Wide(frame, mapping, contract, list(catalogue))
    return {
        "cases": layout.cases(),
        "phases": layout.phases(),
        "visits": layout.visits(),
        "readings": layout.readings(),
    }


class _Wide:
    """One wide frame, and how its columns are spread over the tables."""

    def __init__(
        self, frame: pl.DataFrame, mapping: ColumnMapping, contract: Contract, measure_order: list[str]
    ) -> None:
        self.frame, self.contract = frame, contract
        self.targets = mapping.targets()
        self.constants = set(mapping.constants)
        stated = mapping.constants.get("status")
        self.by_finish = stated is not None and stated.value == BY_FINISH
        used = {target.field for target in self.targets if target.measure}
        self.measures = [code for code in measure_order if code in used]

    def cases(self) -> pl.DataFrame:
        kept = kept_columns(self.contract, "cases")
        if self.by_finish:
            self.frame = self.frame.with_columns(status=self._status())
        return self.frame.select("row", *(self._value(column, column.name) for column in kept))

    def _status(self) -> pl.Expr:
        """Finished where a finish date or a finish record stands, still in treatment elsewhere."""
        at_finish = [target for target in self.targets if target.timepoint == "finish"]
        names = [
            "months_from_start_finish" if one.type == "date" or one.field == "age" else one.name for one in at_finish
        ]
        taken = "records_taken_finish"
        stands = self._any(name for name in names if name != taken)
        if taken in self.frame.columns:
            stands = stands | (pl.col(taken) == "yes").fill_null(value=False)
        return pl.when(stands).then(pl.lit("finished")).otherwise(pl.lit("in_treatment"))

    def phases(self) -> pl.DataFrame:
        numbers = sorted({target.phase_no for target in self.targets if target.phase_no is not None})
        return self._stack("phases", [self._phase(number) for number in numbers])

    def _phase(self, number: int) -> pl.DataFrame:
        mine = [target for target in self.targets if target.phase_no == number]
        columns = [
            pl.lit(number, dtype=pl.Int64).alias("phase_no")
            if column.name == "phase_no"
            else self._value(column, f"phase_{number}_{column.name}")
            for column in kept_columns(self.contract, "phases")
            if column.name not in _KEYS
        ]
        given_by_mapping = any(
            target.field == "appliance_category" and target.name in self.constants for target in mine
        )
        present = pl.lit(value=True) if given_by_mapping else self._any(target.name for target in mine)
        return self.frame.filter(present).select(*_KEYS, *columns)

    def visits(self) -> pl.DataFrame:
        return self._stack("visits", [self._visit(timepoint) for timepoint in self.contract.timepoints])

    def _visit(self, timepoint: str) -> pl.DataFrame:
        mine = [target for target in self.targets if target.timepoint == timepoint]
        names = [
            f"months_from_start_{timepoint}" if target.type == "date" or target.field == "age" else target.name
            for target in mine
        ]
        measured = self._any(target.name for target in mine if target.measure)
        columns = [
            self._visit_value(column, timepoint, measured)
            for column in kept_columns(self.contract, "visits")
            if column.name not in _KEYS
        ]
        return self.frame.filter(self._any(names)).select(*_KEYS, *columns)

    def _visit_value(self, column: ContractColumn, timepoint: str, measured: pl.Expr) -> pl.Expr:
        name = f"{column.name}_{timepoint}"
        if column.name == "timepoint":
            return pl.lit(timepoint).alias("timepoint")
        if name not in self.frame.columns and name == "months_from_start_start":
            return pl.lit(0.0).alias(column.name)
        if name not in self.frame.columns and column.name == "records_taken":
            return pl.when(measured).then(pl.lit("yes")).otherwise(pl.lit("no")).alias(column.name)
        return self._value(column, name)

    def readings(self) -> pl.DataFrame:
        order = self.contract.timepoints.index
        sets = sorted({(one.repeat_no, order(str(one.timepoint))) for one in self.targets if one.measure})
        frames = [self._reading(self.contract.timepoints[place], repeat_no) for repeat_no, place in sets]
        return pl.concat(frames) if frames else self._reading(self.contract.timepoints[0], 1)

    def _reading(self, timepoint: str, repeat_no: int) -> pl.DataFrame:
        mine = {
            target.field: target.name
            for target in self.targets
            if target.measure and target.timepoint == timepoint and target.repeat_no == repeat_no
        }
        values = [
            pl.col(mine[code]).cast(pl.Float64).alias(code) if code in mine else pl.lit(None, pl.Float64).alias(code)
            for code in self.measures
        ]
        return self.frame.filter(self._any(mine.values())).select(
            *_KEYS,
            pl.lit(timepoint).alias("timepoint"),
            pl.lit(FIRST_EXAMINER).alias("examiner"),
            pl.lit(repeat_no, dtype=pl.Int64).alias("repeat_no"),
            *values,
        )

    def _any(self, names: Iterable[str]) -> pl.Expr:
        """Whether any of the columns that are not constants is filled."""
        filled = [pl.col(name).is_not_null() for name in names if name not in self.constants]
        return pl.any_horizontal(filled) if filled else pl.lit(value=False)

    def _value(self, column: ContractColumn, name: str) -> pl.Expr:
        if name in self.frame.columns:
            return pl.col(name).cast(dtype_of(column)).alias(column.name)
        return pl.lit(None, dtype_of(column)).alias(column.name)

    def _stack(self, table: str, frames: list[pl.DataFrame]) -> pl.DataFrame:
        if frames:
            return pl.concat(frames)
        schema = {column.name: dtype_of(column) for column in kept_columns(self.contract, table)}
        return pl.DataFrame(schema={"row": pl.UInt32, **schema})


def kept_columns(contract: Contract, table: str) -> list[ContractColumn]:
    """The columns of a contract table that are kept."""
    return [column for column in contract.table(table).columns if column.kept]


def dtype_of(column: ContractColumn) -> type[pl.DataType]:
    """The type in which a contract column is kept."""
    if column.type == "integer":
        return pl.Int64
    return pl.Float64 if column.type == "number" else pl.String


def tabular_table(
    derived: DerivedValue, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[dict[str, pl.DataFrame], list[BadCells]]:
    """The table of a tabular file, and cells that do not fit another of their row.

    Gives the table by its name, with ``row`` and the contract's columns that are kept; defaults stand where a cell is
    blank. ``measurements`` has no unit: its values are in the unit of each measure.
    """
    table = str(mapping.settings.table)
    columns = dict(derived.values)
    for constant in mapping.constants.values():
        columns[constant.target.name] = constant_column(constant.value, derived.rows.len())
    bad: list[BadCells] = []
    if table == "visits":
        _add_months(columns, derived)
    if table == "measurements":
        bad = _convert(columns, mapping, catalogue)
    frame = pl.DataFrame({"row": derived.rows.cast(pl.UInt32), **columns})
    kept = [column for column in kept_columns(contract, table) if (table, column.name) != ("measurements", "unit")]
    values = []
    for column in kept:
        given = pl.col(column.name) if column.name in columns else pl.lit(None)
        value = given.cast(dtype_of(column))
        values.append((value if column.default is None else value.fill_null(column.default)).alias(column.name))
    made = frame.select("row", *values)
    return {table: _by_ruler(made, mapping.settings.ruler_mm) if table == POINTS else made}, bad


POINTS = "landmarks"
_PICTURE = ["case_id", "timepoint", "view", "examiner", "repeat_no"]


def _by_ruler(points: pl.DataFrame, ruler_mm: float | None) -> pl.DataFrame:
    """The points in millimetres by the ruler of their picture, where it has one; its ends are no landmarks and go.

    Raises MappingError: there is a ruler, and its length is not stated.
    """
    ends = points.filter(pl.col("landmark").is_in(RULER))
    if ends.is_empty():
        return points
    if ruler_mm is None:
        found = "the pictures hold a ruler, and its length is not stated"
        raise MappingError(found, where="[file] ruler_mm", expected="its length in mm", remedy="say ruler_mm = 45.0")
    first, second = (ends.filter(pl.col("landmark") == one).unique(_PICTURE).drop("row") for one in RULER)
    both = first.join(second, on=_PICTURE, suffix="_2")
    length = ((pl.col("x") - pl.col("x_2")) ** 2 + (pl.col("y") - pl.col("y_2")) ** 2).sqrt()
    scales = both.select(*_PICTURE, (ruler_mm / length).alias("scale")).filter(pl.col("scale").is_finite())
    joined = points.filter(~pl.col("landmark").is_in(RULER)).join(
        scales, on=_PICTURE, how="left", maintain_order="left"
    )
    scaled = pl.col("scale").fill_null(1.0)
    unit = pl.when(pl.col("scale").is_null()).then(pl.col("unit")).otherwise(pl.lit("mm"))
    return joined.with_columns(pl.col("x") * scaled, pl.col("y") * scaled, unit.alias("unit")).drop("scale")


def _add_months(columns: dict[str, pl.Series], derived: DerivedValue) -> None:
    """Months of each visit from the start visit of the same case, where the file gives dates or ages."""
    ages = columns.pop("age", None)
    if ages is not None:
        aged = pl.DataFrame({"case": columns["case_id"], "timepoint": columns["timepoint"], "age": ages})
        first = aged.filter(pl.col("timepoint") == "start").unique("case").select("case", start="age")
        joined = aged.join(first, on="case", how="left", maintain_order="left")
        columns["months_from_start"] = ((joined["age"] - joined["start"]) * 12).round(2)
    dates = columns.pop("date", None)
    if dates is None:
        return
    frame = pl.DataFrame({"case": columns["case_id"], "timepoint": columns["timepoint"], "date": dates})
    started = frame.filter(pl.col("timepoint") == "start").group_by("case").agg(pl.col("date").min().alias("start"))
    start = frame.join(started, on="case", how="left", maintain_order="left")["start"]
    columns["months_from_start"] = months_from(derived, "date", dates, start)


def _convert(columns: dict[str, pl.Series], mapping: ColumnMapping, catalogue: Mapping[str, Measure]) -> list[BadCells]:
    """Turn values into the unit of their measure; the cells whose unit or value does not fit it."""
    value, length = columns["value"], columns["value"].len()
    stated = mapping.units.get(mapping.column_of("value"))
    unit = columns.pop("unit", None)
    if unit is None:
        named = (unit_named(stated) or "") if stated else None
        unit = pl.Series([named], dtype=pl.String).new_from_index(0, length)
    frame = pl.DataFrame({"measure": columns["measure"], "unit": unit, "value": value})
    frame = frame.join(_factors(catalogue), on=["measure", "unit"], how="left", maintain_order="left")
    has_unit = pl.col("unit").is_not_null()
    unfit = pl.col("measure").is_not_null() & has_unit & pl.col("factor").is_null()
    frame = frame.with_columns(
        pl.when(unfit).then(pl.lit(UNIT_DOES_NOT_FIT)).alias("unit_rule"),
        (pl.col("value") * pl.when(has_unit).then(pl.col("factor")).otherwise(1.0)).alias("value"),
    )
    whole = [code for code, measure in catalogue.items() if measure.integer_valued]
    broken = pl.col("measure").is_in(whole) & (pl.col("value") != pl.col("value").floor())
    frame = frame.with_columns(pl.when(broken).then(pl.lit(NOT_WHOLE)).alias("value_rule"))
    faulty = pl.col("unit_rule").is_not_null() | pl.col("value_rule").is_not_null()
    columns["value"] = frame.select(pl.when(~faulty).then(pl.col("value"))).to_series()
    unit_column = "unit" if any(target.name == "unit" for target in mapping.targets()) else "value"
    return [
        (unit_column, bad_cells(frame["unit_rule"], frame["unit"])),
        ("value", bad_cells(frame["value_rule"], value.cast(pl.String))),
    ]


def _factors(catalogue: Mapping[str, Measure]) -> pl.DataFrame:
    """One row a measure and unit that fits it: what values are multiplied by."""
    rows = [
        (code, unit, by)
        for code, measure in catalogue.items()
        for unit in all_units()
        if (by := factor(unit, measure.unit)) is not None
    ]
    return pl.DataFrame(rows, schema={"measure": pl.String, "unit": pl.String, "factor": pl.Float64}, orient="row")


_FEWEST_DISTINCT = 3  # fewer different texts are more likely a spelling of a code than names


def refuse_identifying(raw: RawTable, mapping: ColumnMapping, read: Mapping[str, Understood]) -> None:
    """Refuse the file if a mapped column identifies persons.

    Raises MappingError: names every such column and what it holds, never a value.
    """
    reasons = []
    pseudonyms = False
    for column, target in mapping.columns.items():
        reason = _reason(target, read[target.name])
        if reason:
            reasons.append(f'"{column}", mapped to {target.name}, holds {reason}')
            pseudonyms = pseudonyms or target.field in PSEUDONYM_FIELDS
    if not reasons:
        return
    found = "\n".join(
        ["what identifies a person cannot be taken in; nothing was kept:", *(f"  {one}" for one in reasons)]
    )
    expected = f"pseudonyms: {PSEUDONYM_IN_WORDS}" if pseudonyms else "numbers, codes or blanks"
    remedy = "put the column in [ignored]"
    if pseudonyms:
        remedy += ', or give each spelling a pseudonym in [codes], as in [codes.clinician] "their spelling" = "C1"'
    raise MappingError(found, where=raw.source.name, expected=expected, remedy=remedy)


def _reason(target: Target, understood: Understood) -> str | None:
    if target.type == "date" or target.field == "case_id" or understood.bad.is_empty():
        return None
    texts = understood.bad["text"].value_counts(name="n")
    texts = texts.with_columns(kinds_of(texts["text"]).alias("kind"))
    kinds = texts.drop_nulls("kind").group_by("kind").agg(pl.col("n").sum(), pl.len().alias("distinct"))
    if target.field in PSEUDONYM_FIELDS:
        return _reason_against_pseudonyms(kinds.sort("n", descending=True), texts["text"])
    filled = understood.values.len() - understood.values.null_count() + understood.bad.height
    for kind, n, distinct in kinds.sort("n", descending=True).iter_rows():
        mostly = 2 * n > filled and distinct >= _FEWEST_DISTINCT and 2 * distinct > n
        if kind in ONE_IS_ENOUGH or mostly:
            return PLURALS[kind]
    return None


def _reason_against_pseudonyms(kinds: pl.DataFrame, texts: pl.Series) -> str | None:
    if kinds.height:
        return PLURALS[kinds["kind"][0]]
    return "words where pseudonyms belong" if texts.str.contains(r"\p{L}{3,}").any() else None


def remarks_on(
    mapping: ColumnMapping, read: Mapping[str, Understood], derived: DerivedValue
) -> Iterator[ReadingAssumption]:
    """Columns left out, constants, units, spellings for "not known", and what became of dates and old ages."""
    stated = "the mapping file says so"
    if mapping.ignored:
        n = len(mapping.ignored)
        yield ReadingAssumption("columns left out", f"{n} {'column' if n == 1 else 'columns'}", stated)
    for name, constant in mapping.constants.items():
        yield ReadingAssumption(f"{name} of every row", str(constant.value), stated)
    for column, unit in mapping.units.items():
        yield ReadingAssumption(f'unit of "{column}"', unit, stated)
    yield from _blanks(read)
    if "start_date" in read:
        yield ReadingAssumption("dates", "an age, a quarter and months from start", "full dates are not kept")
    if derived.n_capped:
        yield ReadingAssumption(
            "age at start", f"{derived.n_capped} above 90 kept as 90", "older ages single out a person"
        )


def _blanks(read: Mapping[str, Understood]) -> Iterator[ReadingAssumption]:
    counts: Counter[str] = Counter()
    for understood in read.values():
        counts.update(understood.blanks)
    for spelling, count in sorted(counts.items()):
        cells = "cell" if count == 1 else "cells"
        yield ReadingAssumption(
            f'"{spelling}" in {count} {cells}', "not known", "the contract or the mapping lists it as missing"
        )


def _of_numbers(read: Mapping[str, Understood], mapping: ColumnMapping) -> Iterator[ReadingAssumption]:
    """By which rule case numbers are read, and how many stand in the file in more than one spelling."""
    if "case_id" in read and mapping.settings.numbers == "as written":
        taken = "as they are written: capitals and zeros before a number tell cases apart"
        yield ReadingAssumption("case numbers", taken, "the mapping says so, now or when the practice was first loaded")
    elif "case_id" in read and (n := read["case_id"].n_others) is not None:
        taken = "without spaces, capitals, zeros before a number, or .0 behind one"
        yield ReadingAssumption("case numbers", taken, "one number, one case, however it is typed")
        if n:
            taken = f"{n} written in another way than elsewhere in the file, and taken for the same"
            because = 'if they are different cases, say numbers = "as written" in [file] of the mapping'
            yield ReadingAssumption("case numbers", taken, because)


def interpret(
    raw: RawTable,
    mapping: ColumnMapping,
    *,
    contract: Contract,
    catalogue: Mapping[str, Measure],
    practice: str,
    keyer: Keyer,
    today: date | None = None,
) -> Delivery:
    """Turn a raw table into contract tables.

    Case numbers become keyed hashes, dates become ages, months and quarters and are dropped, ages of 90 and over are
    kept as 90. Whatever of a cell is not a number, a code, a tooth list, a quarter or a pseudonym does not get in: it
    becomes a problem, described after redaction.

    No date may lie after ``today``; None takes the clock's.

    Gives the delivery; a table of no rows gives tables of no rows. Raises MappingError: the mapping does not cover the
    file, a column needs something stated (decimal, date_order), or a mapped column holds what identifies a person.
    """
    check_practice(practice, where="practice")
    check_columns(raw, mapping, contract=contract, catalogue=catalogue)
    shaped = reshaped(without_doubles(raw), mapping, contract=contract, catalogue=catalogue)
    raw, mapping = shaped.raw, shaped.mapping
    plan = make_plan(raw, mapping, contract=contract, catalogue=catalogue, today=today or date.today())
    read = read_columns(raw, mapping, plan, practice=practice, keyer=keyer)
    refuse_identifying(raw, mapping, read)
    n_read, more_bad = raw.frame.height, list[BadCells]()
    raw = replace(raw, frame=raw.frame.clear())  # a caller who kept no hold of it lets the text go here
    shaped = replace(shaped, raw=raw)
    derived = derive(raw.rows, read, mapping)
    if mapping.settings.layout == "wide":
        tables = wide_tables(derived, mapping, contract=contract, catalogue=catalogue)
    else:
        tables, more_bad = tabular_table(derived, mapping, contract=contract, catalogue=catalogue)
    bad = [*shaped.bad, *((name, one.bad) for name, one in read.items()), *derived.bad, *more_bad]
    n_ruler = n_read - tables[POINTS].height if mapping.settings.layout == "points" else 0
    return Delivery(
        source=raw.source,
        layout=mapping.settings.layout,
        practice=practice,
        n_read=n_read - n_ruler,
        tables=tables,
        columns={target.name: column for column, target in mapping.columns.items()},
        problems=problem_frame(bad, raw.rows, mapping, contract=contract),
        assumptions=(
            *raw.assumptions,
            *plan.assumptions,
            *_of_numbers(read, mapping),
            *remarks_on(mapping, read, derived),
        ),
    )
