"""The untreated comparison cases of a warehouse, as courses of a measure over age."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from warehouse.analysis.method_error import pooled_error
from warehouse.marts.method_errors import errors_used
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.store.quoting import name

_NOT_LEFT_TO_GROWTH = ("points",)  # units of scores, which are judged and do not grow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnCases:
    """What a growth reference of one's own can be fitted to."""

    # One row a case and time: case_no, sex, age (years), gonion_kind, porion_kind, magnification_pct, and one
    # column a measure
    frame: pl.DataFrame
    measures: tuple[str, ...]  # The measures that could be fitted, in the order of the catalogue
    labels: Mapping[str, str]  # Measure -> trade name
    # Measure -> error of one reading: the warehouse's own, else the catalogue's; absent where unknown
    errors: Mapping[str, float]
    n_selected: int  # Untreated cases left out because they were picked and are no sample
    n_without_age: int  # Untreated cases left out because their age is not known
    build: str  # The build they were read from

    def course(self, measure: str) -> pl.DataFrame:
        """One row a value: case, sex, age, value; cases marked or enlarged in unlike ways at their times are left out.

        Lengths of films count where the enlargement is known at every time of the case, or at none.
        """
        rows = self.frame.drop_nulls([measure, "age"])
        if measure in CATALOGUE:
            rows = rows.filter(*_alike(measure))
        return rows.select(pl.col("case_no").alias("case"), "sex", "age", pl.col(measure).alias("value"))


def _alike(measure: str) -> list[pl.Expr]:
    entry = CATALOGUE[measure]
    points = [point for point in ("gonion", "porion") if any(kind.startswith(point) for kind in entry.variants)]
    same = [pl.col(f"{point}_kind").drop_nulls().n_unique().over("case_no") <= 1 for point in points]
    if entry.on_film:
        same.append(pl.col("magnification_pct").is_null().n_unique().over("case_no") == 1)
    return same


def own_cases(reader: Reader) -> OwnCases:
    """The consecutive untreated cases of a snapshot."""
    listed = reader.connection.rows("select measure, label, unit from mart_measures")
    columns = set(reader.connection.frame("select * from mart_timeline limit 0").columns)
    measures = tuple(code for code, _, unit in listed if code in columns and unit not in _NOT_LEFT_TO_GROWTH)
    chosen = "".join(f", mart_timeline.{name(code)}" for code in measures)
    frame = reader.connection.frame(
        "select mart_timeline.case_no, mart_cases.sex,"
        " mart_cases.age_at_start + mart_timeline.months_from_start / 12e0 as age, gonion_kind, porion_kind,"
        f" magnification_pct{chosen} from mart_timeline"
        " inner join mart_cases on mart_cases.case_no = mart_timeline.case_no"
        " where comparison = 'untreated' and selection = 'consecutive'"
        " and coalesce(cast(cleft_or_syndrome as varchar), 'none') = 'none' order by case_no, age"
    )
    counts = reader.connection.rows(
        "select count(*) filter (where selection <> 'consecutive'),"
        " count(*) filter (where selection = 'consecutive' and age_at_start is null)"
        " from mart_cases where comparison = 'untreated'"
    )[0]
    return OwnCases(
        frame=frame,
        measures=measures,
        labels={code: label for code, label, _ in listed},
        errors=_errors(reader),
        n_selected=int(counts[0]),
        n_without_age=int(counts[1]),
        build=reader.snapshot.build_id,
    )


def _errors(reader: Reader) -> dict[str, float]:
    """Error of one reading: of all practices with enough repeats together, else the catalogue's."""
    found = {code: entry.method_error.sem for code, entry in CATALOGUE.items() if entry.method_error is not None}
    read = reader.connection.rows("select distinct measure from mart_method_errors where is_used")
    own = {measure: pooled_error(errors_used(reader.connection, measure)) for (measure,) in read}
    return found | {measure: pooled[1] for measure, pooled in own.items() if pooled}
