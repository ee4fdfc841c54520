"""Every layout brought to one of two before it is read: one row a case, or one row a point. Cells stay as given.

Several rows a case (a row a visit, a row a measurement, sheets that belong together) become one, with a column for each
time; several appliances of a cell become a column each; a column a coordinate becomes a row a point.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import polars as pl

from pipelines.cells.phases_in_turn import in_turn
from pipelines.cells.reading import read_cells
from pipelines.cells.understood import Expected, cells_where, text_of
from pipelines.contract.cell_rules import UNKNOWN_CODE
from pipelines.contract.contract import MAX_PHASES, Contract
from pipelines.contract.delivery import Layout, RawTable, ReadingAssumption
from pipelines.contract.targets import IN_TURN, Target, Targets, date_name
from pipelines.deidentify.file_names import shown_sheet_name
from pipelines.deidentify.keyer import case_numbers
from pipelines.interpreting.columns import BadCells
from pipelines.mapping.column_mapping import ColumnMapping
from warehouse.errors import MappingError
from warehouse.measures.measure import Measure
from warehouse.plural import number_of

SHEETS_APART = 1_000_000
"""What is added to row numbers for each further sheet or file of a case: more than a sheet has rows."""

ABOUT = "layout"

_NEVER = date.max


@dataclass(frozen=True, slots=True)
class Reshaped:
    """A table and its mapping in a layout that is read, and cells for which several rows gave different values."""

    raw: RawTable
    mapping: ColumnMapping
    bad: list[BadCells] = field(default_factory=list)


def put_together(tables: Sequence[RawTable], together: Sequence[str]) -> list[RawTable]:
    """One table of the sheets or files of a case, each under the others; what has no case number is left out and said.

    A heading that stands in several of them, or whose sheet is named after a time, goes behind the name of its sheet.

    ``together``: Headings of the case number; none leaves the tables apart. Raises MappingError: no table has such a
    heading.
    """
    if not together:
        return list(tables)
    keyed = [(one, key) for one in tables for key in [next((k for k in together if k in one.frame.columns), None)]]
    used = [(one, key) for one, key in keyed if key is not None]
    if not used:
        found = f"no sheet or file has a case number under {' or '.join(together)}"
        raise MappingError(found, where=f"{tables[0].source.name}, [file] together", remedy="correct the headings")
    twice = [name for one, _ in used for name in one.frame.columns]
    frames, rows = [], []
    notes = [note for one, _ in used for note in one.assumptions]
    for place, (one, key) in enumerate(used):
        named = sheet_name(one)
        renamed = {
            name: together[0] if name == key else f"{named}: {name}" if twice.count(name) > 1 else name
            for name in one.frame.columns
        }
        frames.append(one.frame.rename(renamed).with_columns(pl.all().cast(pl.String)))
        rows.append(one.rows + place * SHEETS_APART)
        if place:
            taken = f"rows of {shown_sheet_name(named)} bear {place * SHEETS_APART:,} more"
            notes.append(ReadingAssumption(ABOUT, taken, "its rows and those of the first belong to the same cases"))
    notes += [
        ReadingAssumption(
            "sheets left out", shown_sheet_name(sheet_name(one)) or "", "it has no column of case numbers"
        )
        for one, key in keyed
        if key is None
    ]
    source = replace(used[0][0].source, sheet=None, given_sheet=None)
    frame = pl.concat(frames, how="diagonal")
    return [RawTable(source, frame, pl.concat(rows).rename("row"), tuple(dict.fromkeys(notes)))]


def sheet_name(table: RawTable) -> str:
    """What tells the headings of a sheet or file from those of others: its given name, for the practice's own use."""
    given = table.source.given_sheet or table.source.sheet
    return given or (table.source.given_name or table.source.name).rsplit(".", 1)[0]


def without_doubles(raw: RawTable) -> RawTable:
    """The table with rows that are the same in every cell counted once: a row pasted twice is no second case."""
    if raw.frame.width and raw.frame.to_series(0).n_unique() == raw.frame.height:
        return raw  # nothing of the first column, as a rule the case number, stands twice
    first = raw.frame.select(pl.struct(pl.all()).is_first_distinct()).to_series()
    places = raw.rows.filter(~first).to_list()
    if not places:
        return raw
    named = ", ".join(map(str, places[:5])) + (" ..." if len(places) > 5 else "")
    taken = f"{len(places)} {'row' if len(places) == 1 else 'rows'} left out: row {named}"
    note = ReadingAssumption("rows that stand twice", taken, "another row is the same in every cell")
    notes = (*raw.assumptions, note)
    return replace(raw, frame=raw.frame.filter(first), rows=raw.rows.filter(first), assumptions=notes)


def reshaped(
    raw: RawTable, mapping: ColumnMapping, *, contract: Contract, catalogue: Mapping[str, Measure]
) -> Reshaped:
    """The table in a layout that is read.

    Raises MappingError: a time or measure of a row is not decided, or two columns would give the same.
    """
    found = Reshaped(raw, mapping)
    if mapping.settings.layout == "long":
        found = _SideBySide(raw, mapping, contract, catalogue).done()
    if mapping.settings.layout == "points":
        return Reshaped(*_points_below(raw, mapping, contract, catalogue))
    if any(target.field == IN_TURN for target in found.mapping.columns.values()):
        raw, mapping = _phases_apart(found.raw, found.mapping, contract, catalogue)
        found = replace(found, raw=raw, mapping=mapping)
    return found


def _spread(mapping: ColumnMapping, columns: Mapping[str, tuple[str, Target]], layout: Layout) -> ColumnMapping:
    """The mapping for columns made of others: new heading -> heading it came from and where it goes."""
    return replace(
        mapping,
        settings=replace(mapping.settings, layout=layout, together=()),
        columns={new: target for new, (_, target) in columns.items()},
        codes={
            **mapping.codes,
            **{new: mapping.codes[old] for new, (old, _) in columns.items() if old in mapping.codes and new != old},
        },
        units={new: mapping.units[old] for new, (old, _) in columns.items() if old in mapping.units},
    )


class _SideBySide:
    """Several rows a case brought side by side."""

    def __init__(
        self, raw: RawTable, mapping: ColumnMapping, contract: Contract, catalogue: Mapping[str, Measure]
    ) -> None:
        self.raw, self.mapping, self.contract, self.catalogue = raw, mapping, contract, catalogue
        self.wide = Targets("wide", None, contract=contract, measures=catalogue)
        self.notes: list[ReadingAssumption] = []
        self.at = {target.name: column for column, target in mapping.columns.items()}
        case = text_of(raw.frame[self.at["case_id"]])
        case = case.str.strip_chars() if mapping.settings.numbers == "as written" else case_numbers(case)
        alone = pl.Series([f"\0{n}" for n in range(case.len())])  # a row without a number is a case of its own
        self.frame = raw.frame.select(pl.all().cast(pl.String)).with_columns(
            case.zip_with(case.is_not_null() & (case != ""), alone).alias("\0case"),
            raw.rows.alias("\0row"),
            self._coded("timepoint").alias("\0time"),
            self._coded("measure").alias("\0measure"),
        )
        self.cases = self.frame.group_by("\0case", maintain_order=True).agg(pl.col("\0row").first())
        self.columns: dict[str, tuple[str, Target]] = {}
        self.made: list[pl.Series] = []
        self.bad: list[BadCells] = []

    def _coded(self, name: str) -> pl.Series:
        """Codes of the time or measure of each row; a spelling that is not decided refuses the file."""
        constant = self.mapping.constants.get(name)
        if name not in self.at:
            value = None if constant is None else str(constant.value)
            return pl.Series([value], dtype=pl.String).new_from_index(0, self.raw.frame.height)
        column = self.at[name]
        target = self.mapping.columns[column]
        spellings = self.mapping.spellings(column, target, contract=self.contract, measures=self.catalogue)
        expected = Expected(target=target, today=_NEVER, spellings=spellings, missing=self.contract.missing)
        understood = read_cells(self.raw.frame[column], expected)
        if understood.bad.height:
            texts = understood.bad.group_by("text", maintain_order=True).agg(pl.len(), pl.col("index").first())
            listed = [
                f'  "{text}" in {n} {"row" if n == 1 else "rows"}, first in row {self.raw.rows[index]}'
                for text, n, index in texts.head(20).iter_rows()
            ]
            listed += [f"  and {texts.height - 20} more"] if texts.height > 20 else []
            found = "\n".join([f"the column {column} holds what no {name} is given for:", *listed])
            remedy = f'add each to [codes.{name}] of the mapping file; "" leaves its rows out'
            where = f"{self.raw.source.name}, column {column}"
            raise MappingError(found, where=where, expected=f"a {name} for every row", remedy=remedy)
        because = f"the contract or the mapping lists it as no {name}"
        self.notes += [
            ReadingAssumption(f'"{text}" in {number_of(n, "row")}', "left out", because)
            for text, n in understood.blanks.items()
        ]
        return understood.values

    def done(self) -> Reshaped:
        for column, target in self.mapping.columns.items():
            if self.wide.find(target.name) is not None:
                self._take(column, target, self.frame, column)
            elif target.name not in ("timepoint", "measure", "value", "unit", "repeat_no"):
                for time in self.contract.timepoints:
                    self._take_at(column, target, time)
        if "value" in self.at:
            self._values()
        self._unplaced()
        frame = pl.DataFrame([one.alias(name) for name, one in zip(self.columns, self.made, strict=True)])
        n_rows, n_cases = self.raw.frame.height, self.cases.height
        taken = f"{n_rows:,} rows brought side by side as {n_cases:,} {'case' if n_cases == 1 else 'cases'}"
        because = "the mapping file says that a case has several rows; a case is named by its first"
        raw = replace(
            self.raw,
            frame=frame,
            rows=self.cases["\0row"].alias("row"),
            assumptions=(*self.raw.assumptions, ReadingAssumption(ABOUT, taken, because), *self.notes),
        )
        mapping = _spread(self.mapping, self.columns, "wide")
        rows_only = {name for name in self.mapping.constants if self.wide.find(name) is None}
        constants = {name: one for name, one in self.mapping.constants.items() if name not in rows_only}
        return Reshaped(raw, replace(mapping, constants=constants), self.bad)

    def _take_at(self, column: str, target: Target, time: str) -> None:
        there = self.frame.filter(pl.col("\0time") == time)
        wanted = date_name(time) if target.type == "date" else f"{target.name}_{time}"
        goes_to = self.wide.find(wanted)
        if goes_to is not None and there[column].null_count() < there.height:
            self._take(column, goes_to, there, f"{column} ({time})")

    def _take(self, column: str, target: Target, rows: pl.DataFrame, heading: str) -> None:
        """The first filled cell of each case; where another differs, the case is told."""
        if any(target.name == other.name for _, other in self.columns.values()):
            found = f"two columns or rows give {target.name}"
            raise MappingError(found, where=f"{self.raw.source.name}, column {column}", remedy="put one in [ignored]")
        filled = rows.select("\0case", pl.col(column).str.strip_chars().alias("cell"))
        filled = filled.filter(pl.col("cell").is_not_null() & (pl.col("cell") != ""))
        per_case = filled.group_by("\0case").agg(pl.col("cell").first(), pl.col("cell").n_unique().alias("n"))
        joined = self.cases.join(per_case, on="\0case", how="left", maintain_order="left")
        self.columns[heading] = (column, target)
        self.made.append(joined["cell"])
        differs = (joined["n"] > 1).fill_null(value=False)
        if target.field != "case_id" and differs.any():
            bad = cells_where(differs, f"X-{target.table}-key", joined["cell"], "different values in several rows")
            self.bad.append((target.name, bad))

    def _values(self) -> None:
        """A column for each measure, time and repeat that the rows name; the unit of a row goes behind its number."""
        value = self.at["value"]
        rows = self.frame.filter(pl.col("\0measure").is_not_null())
        if "unit" in self.at:
            rows = rows.with_columns(pl.concat_str(value, pl.col(self.at["unit"]).fill_null(""), separator=" "))
        repeat = self.at.get("repeat_no")
        repeats = pl.col(repeat).str.strip_chars().cast(pl.Int64, strict=False).fill_null(1) if repeat else pl.lit(1)
        rows = rows.with_columns(repeats.alias("\0repeat"))
        for (code, number), some in sorted(rows.partition_by("\0measure", "\0repeat", as_dict=True).items()):
            measure = next(one for one in self.wide if one.measure and one.field == code)
            suffix = f"_repeat{number}" if number != 1 else ""
            for time in self.contract.timepoints:
                goes_to = self.wide.find(f"{measure.field}_{time}{suffix}")
                there = some.filter(pl.col("\0time") == time)
                if goes_to is not None and there.height:
                    self._take(value, goes_to, there, f"{value} of {code}{suffix} ({time})")

    def _unplaced(self) -> None:
        """Rows with something recorded and no time: their case is told, since it cannot be placed."""
        recorded = [
            column
            for column, target in self.mapping.columns.items()
            if self.wide.find(target.name) is None and target.name not in ("timepoint", "measure", "unit", "repeat_no")
        ]
        if not recorded:
            return
        measured = pl.col("\0measure").is_not_null() if "measure" in self.at else pl.lit(value=True)
        lost = self.frame.filter(
            pl.col("\0time").is_null() & measured & pl.any_horizontal(pl.col(recorded).is_not_null())
        )
        if "timepoint" in self.at:  # a spelling that the mapping leaves out is no lost row
            lost = lost.filter(pl.col(self.at["timepoint"]).is_null())
        where = self.cases["\0case"].is_in(lost["\0case"].to_list())
        if where.any():
            bad = cells_where(where, UNKNOWN_CODE, said="a row of the case without a time")
            self.bad.append(("case_id", bad))


def _phases_apart(
    raw: RawTable, mapping: ColumnMapping, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[RawTable, ColumnMapping]:
    """The appliances that stand in a cell one after the other, a column each."""
    column, target = next((c, t) for c, t in mapping.columns.items() if t.field == IN_TURN)
    parts = [in_turn(text or "") for text in text_of(raw.frame[column])]
    most = min(max(map(len, parts), default=1) or 1, MAX_PHASES)
    wide = Targets("wide", None, contract=contract, measures=catalogue)
    columns = {name: (name, goes_to) for name, goes_to in mapping.columns.items() if name != column}
    made = []
    for number in range(1, most + 1):
        name = column if number == 1 else f"{column} ({number})"
        goes_to = wide.find(f"phase_{number}_appliance_category")
        if goes_to is None or any(goes_to.name == other.name for _, other in columns.values()):
            found = f"two columns give {goes_to.name if goes_to else target.name}"
            raise MappingError(found, where=f"{raw.source.name}, column {column}", remedy="put one in [ignored]")
        columns[name] = (column, goes_to)
        made.append(pl.Series(name, [one[number - 1] if len(one) >= number else None for one in parts], pl.String))
    several = sum(len(one) > 1 for one in parts)
    taken = f'{several} {"cell" if several == 1 else "cells"} of "{column}" hold several appliances in order'
    note = ReadingAssumption("phases", taken, "the mapping file says so")
    new = replace(raw, frame=raw.frame.drop(column).with_columns(made), assumptions=(*raw.assumptions, note))
    return new, _spread(mapping, columns, "wide")


def _points_below(
    raw: RawTable, mapping: ColumnMapping, contract: Contract, catalogue: Mapping[str, Measure]
) -> tuple[RawTable, ColumnMapping]:
    """A row a point, of a file with a column a coordinate."""
    pairs: dict[str, dict[str, str]] = {}
    for column, target in mapping.columns.items():
        if target.field in ("x", "y") and target.name != target.field:
            pairs.setdefault(target.name[2:], {})[target.field] = column
    if not pairs:
        return raw, mapping
    halves = [code for code, pair in pairs.items() if len(pair) < 2]
    if halves:
        found = f"of {', '.join(halves)} only one coordinate has a column"
        raise MappingError(found, where=raw.source.name, expected="x and y of every point", remedy="map the other")
    targets = Targets("points", None, contract=contract, measures=catalogue)
    points = {column for pair in pairs.values() for column in pair.values()}
    kept = [column for column in raw.frame.columns if column in mapping.columns and column not in points]
    frame = raw.frame.with_columns(raw.rows.alias("\0row"))
    parts = [
        frame.select(
            *kept, "\0row", pl.lit(code).alias("landmark"), pl.col(pair["x"]).alias("x"), pl.col(pair["y"]).alias("y")
        )
        for code, pair in pairs.items()
    ]
    below = pl.concat(parts, how="vertical_relaxed").filter(pl.any_horizontal(pl.col("x", "y").is_not_null()))
    new = [("landmark", "landmark"), ("x", "x"), ("y", "y")]
    columns = {c: (c, t) for c, t in mapping.columns.items() if c in kept}
    columns |= {column: (column, goes_to) for column, name in new if (goes_to := targets.find(name))}
    taken = f"{raw.frame.height:,} rows of {len(pairs)} points each became {below.height:,} points"
    note = ReadingAssumption(ABOUT, taken, "the file has a column a coordinate")
    made = replace(raw, frame=below.drop("\0row"), rows=below["\0row"], assumptions=(*raw.assumptions, note))
    return made, _spread(mapping, columns, "points")
