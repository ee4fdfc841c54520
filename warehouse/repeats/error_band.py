"""How far a change must go to be more than measuring error, for the cases looked at."""

from dataclasses import dataclass

from warehouse.analysis.method_error import least_change, pooled_error
from warehouse.marts.method_errors import errors_used
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
    """The band from the repeats of the practices looked at, else from the catalogue."""
    errors = errors_used(reader.connection, measure, selection.filters.get("practice", ()))
    pooled = pooled_error(errors)
    if pooled:
        whose = "one practice" if len(errors) == 1 else f"{len(errors)} practices"
        query = "select bool_or(is_taken_again) from mart_method_errors where is_used and measure = ?"
        how = "read or taken" if reader.connection.value(query, [measure]) else "read"
        said = f"Measured here: {pooled[0]:,} records {how} twice, in {whose}."
        return ErrorBand(measure=measure, mdc95=least_change(pooled[1]), n_pairs=pooled[0], said=said)
    default = CATALOGUE[measure].method_error if measure in CATALOGUE else None
    if default is None:
        said = "Not known: no records were read twice, and no value can be named instead."
        return ErrorBand(measure=measure, mdc95=None, n_pairs=0, said=said)
    said = f"Not measured here: a stand-in value is used ({default.source}). Read some records twice."
    return ErrorBand(measure=measure, mdc95=least_change(default.sem), n_pairs=0, said=said)
