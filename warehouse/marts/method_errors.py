"""The practice's own method error: from second readings by the same examiner, of the same records or of others.

Reading one film again leaves out what taking another adds. Where records of the same time were taken twice, their error
holds both, and a change lies between two films: it is the one in use as soon as it rests on enough pairs.
"""

from collections.abc import Mapping, Sequence

import polars as pl

from warehouse.analysis.method_error import MINIMUM_PAIRS, error_of_one, least_change
from warehouse.marts.statements import filled
from warehouse.measures.measure import Measure
from warehouse.store.quoting import name
from warehouse.store.tables import Tables

READ_AGAIN, TAKEN_AGAIN = 2, 21
"""``repeat_no`` of a second reading of a record, and of the first reading of another film or photograph of the time."""

_SUMS = (
    ",\n    count(first_reading.{m} - second_reading.{m}) as n_{m}"
    ",\n    sum(first_reading.{m} - second_reading.{m}) as s_{m}"
    ",\n    sum((first_reading.{m} - second_reading.{m}) * (first_reading.{m} - second_reading.{m})) as q_{m}"
    ",\n    sum((first_reading.{m} - second_reading.{m}) * (first_reading.{m} - second_reading.{m})"
    " * (first_reading.{m} - second_reading.{m}) * (first_reading.{m} - second_reading.{m})) as f_{m}"
)


def repeat_sums(connection: Tables, measures: Sequence[str]) -> pl.DataFrame:
    """Practice, measure, is_taken_again, n_pairs, and sums of first minus second reading (with squares and fourths).

    A pair is reading 1 and ``READ_AGAIN`` or ``TAKEN_AGAIN`` of a time by the same examiner; a measure without one is
    left out.
    """
    sums = "".join(_SUMS.format(m=name(measure)) for measure in measures)
    wides = {no: connection.frame(filled("repeats.sql", sums=sums, second=str(no))) for no in (READ_AGAIN, TAKEN_AGAIN)}
    pieces = [
        wide.select(
            "practice",
            pl.lit(measure).alias("measure"),
            pl.lit(no == TAKEN_AGAIN).alias("is_taken_again"),
            pl.col(f"n_{measure}").alias("n_pairs"),
            pl.col(f"s_{measure}").alias("sum_difference"),
            pl.col(f"q_{measure}").alias("sum_squares"),
            pl.col(f"f_{measure}").alias("sum_fourths"),
        ).filter(pl.col("n_pairs") > 0)
        for no, wide in wides.items()
        for measure in measures
    ]
    if not pieces:
        summed = dict.fromkeys(("sum_difference", "sum_squares", "sum_fourths"), pl.Float64)
        numbers = {"is_taken_again": pl.Boolean, "n_pairs": pl.Int64, **summed}
        return pl.DataFrame(schema={"practice": pl.String, "measure": pl.String, **numbers})
    return pl.concat(pieces).sort("practice", "measure", "is_taken_again")


def method_errors(sums: pl.DataFrame) -> pl.DataFrame:
    """Dahlberg's error, systematic difference and MDC95 for each practice and measure, read again and taken again.

    Columns: practice, measure, is_taken_again, n_pairs, mean_difference, sem, mdc95, kurtosis (n sum d^4 / (sum d^2)^2,
    3 where differences are normal; null where all are 0), is_used. Few pairs are listed but not used, nor is
    the error of reading where that of taking again is.
    """
    enough, taken = pl.col("n_pairs") >= MINIMUM_PAIRS, pl.col("is_taken_again")
    sem = error_of_one(pl.col("sum_squares"), pl.col("n_pairs"))
    return sums.select(
        pl.col("practice").cast(pl.String),
        pl.col("measure").cast(pl.String),
        "is_taken_again",
        pl.col("n_pairs").cast(pl.Int64),
        (pl.col("sum_difference") / pl.col("n_pairs")).alias("mean_difference"),
        sem.alias("sem"),
        least_change(sem).alias("mdc95"),
        pl.when(pl.col("sum_squares") > 0)
        .then(pl.col("n_pairs") * pl.col("sum_fourths") / pl.col("sum_squares") ** 2)
        .alias("kurtosis"),
        (enough & (taken | ~(enough & taken).any().over("practice", "measure"))).alias("is_used"),
    )


def own_errors(errors: pl.DataFrame) -> dict[str, dict[str, float]]:
    """Practice -> measure -> MDC95, for the errors that rest on enough pairs."""
    found: dict[str, dict[str, float]] = {}
    for row in errors.iter_rows(named=True):
        if row["is_used"]:
            found.setdefault(row["practice"], {})[row["measure"]] = row["mdc95"]
    return found


def default_errors(catalogue: Mapping[str, Measure]) -> dict[str, float]:
    """Measure -> MDC95 from the catalogue's default error, where it names one."""
    return {
        code: least_change(measure.method_error.sem)
        for code, measure in catalogue.items()
        if measure.method_error is not None
    }


def errors_used(snapshot: Tables, measure: str, practices: Sequence[str] = ()) -> list[tuple[int, float]]:
    """Pairs and error of one reading of each practice (all where none is named) with repeats enough to be used."""
    among = f" and practice in ({', '.join('?' for _ in practices)})" if practices else ""
    query = f"select n_pairs, sem from mart_method_errors where measure = ? and is_used{among}"
    return snapshot.rows(query, [measure, *practices])
