"""How far a change must go to be more than measuring error, for the cases looked at."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from warehouse.analysis.method_error import MDC95_FACTOR
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorBand:
    """The least change beyond measuring error (MDC95)."""

    measure: str
    mdc95: float | None  # Half the width of the band, in the measure's unit; None where nothing is known
    n_pairs: int  # Records read twice behind it; 0 where the catalogue's value stands in
    said: str  # Where it comes from, in one sentence


def error_band(reader: Reader, *, measure: str, selection: Selection) -> ErrorBand:
    """The band from the repeats of the practices looked at, else from the catalogue.

    Practices are pooled by their pairs: sqrt(sum of n SEM squared over sum of n), times 1.96 sqrt(2). A practice whose
    repeats are too few to be used counts for nothing.
    """
    practices = selection.filters.get("practice", ())
    marks = ", ".join("?" for _ in practices)
    condition = f" and practice in ({marks})" if practices else ""
    rows = reader.connection.rows(
        f"select n_pairs, sem from mart_method_errors where measure = ? and is_used{condition}", [measure, *practices]
    )
    n_pairs = sum(n for n, _ in rows)
    if n_pairs:
        sem = sqrt(sum(n * sem * sem for n, sem in rows) / n_pairs)
        whose = "one practice" if len(rows) == 1 else f"{len(rows)} practices"
        said = f"Measured here: {n_pairs:,} records read twice, in {whose}."
        return ErrorBand(measure=measure, mdc95=sem * MDC95_FACTOR, n_pairs=n_pairs, said=said)
    default = CATALOGUE[measure].method_error if measure in CATALOGUE else None
    if default is None:
        said = "Not known: no records were read twice, and no value can be named instead."
        return ErrorBand(measure=measure, mdc95=None, n_pairs=0, said=said)
    said = f"Not measured here: a stand-in value is used ({default.source}). Read some records twice."
    return ErrorBand(measure=measure, mdc95=default.sem * MDC95_FACTOR, n_pairs=0, said=said)
