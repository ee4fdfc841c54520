"""Which reader understands the cells of a column."""

from collections.abc import Callable

import polars as pl

from pipelines.cells.codes import (
    read_case_ids,
    read_codes,
    read_landmarks,
    read_pseudonyms,
    read_quarters,
    read_teeth,
    read_units,
)
from pipelines.cells.dates import read_dates
from pipelines.cells.numbers import read_numbers
from pipelines.cells.understood import Expected, Understood
from pipelines.contract.cell_rules import UNKNOWN_CODE, UNKNOWN_MEASURE
from pipelines.contract.targets import MEASURE_CODES

PSEUDONYM_FIELDS = frozenset({"clinician", "examiner"})

_TEXT_READERS: dict[str, Callable[[pl.Series, Expected], Understood]] = {
    "case_id": read_case_ids,
    "clinician": read_pseudonyms,
    "examiner": read_pseudonyms,
    "landmark": read_landmarks,
    "unit": read_units,
}
_READERS: dict[str, Callable[[pl.Series, Expected], Understood]] = {
    "number": read_numbers,
    "integer": read_numbers,
    "codes": read_teeth,
    "quarter": read_quarters,
    "date": read_dates,
}


def read_cells(cells: pl.Series, expected: Expected) -> Understood:
    """Understand the cells of one column, shape (n,), as text or as the file types them."""
    target = expected.target
    if target.type == "code":
        rule = UNKNOWN_MEASURE if target.codes == MEASURE_CODES else UNKNOWN_CODE
        return read_codes(cells, expected, rule=rule)
    reader = _TEXT_READERS[target.field] if target.type == "text" else _READERS[target.type]
    return reader(cells, expected)
