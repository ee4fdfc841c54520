"""Which columns of a file would identify a person, and why."""

from collections.abc import Iterable, Mapping

import polars as pl

from pipelines.deidentify.contents import ONE_IS_ENOUGH, kinds_of
from pipelines.deidentify.headings import heading_reason
from warehouse.toml_files import shipped

SAMPLE = 2000  # distinct cells looked at in a column that is not going to be read: enough to name a reason

PLURALS: dict[str, str] = shipped("pipelines.deidentify", "identifying.toml")["plurals"]


def refusals(columns: Iterable[str], samples: Mapping[str, pl.Series]) -> dict[str, str]:
    """Column -> what it holds that would identify a person; columns that look harmless are left out.

    ``columns``: Headings of the file. ``samples``: Heading -> some of its cells, of any type. A heading without a
    sample is judged by its words alone.
    """
    reasons: dict[str, str] = {}
    for column in columns:
        reason = heading_reason(column) or (content_reason(samples[column]) if column in samples else None)
        if reason:
            reasons[column] = reason
    return reasons


def content_reason(cells: pl.Series) -> str | None:
    """What identifies a person in these cells, or None.

    One e-mail or web address or telephone number is enough; of the other kinds more than half of the filled cells
    must look so. Dates by type count as dates.
    """
    if cells.dtype.is_temporal() and cells.len() > cells.null_count():
        return PLURALS["a date"]
    if cells.dtype != pl.String:
        return None
    filled = cells.str.strip_chars().replace("", None).drop_nulls().unique().head(SAMPLE)
    return reason_of_kinds(kinds_of(filled), filled.len())


def reason_of_kinds(kinds: pl.Series, n_filled: int) -> str | None:
    """The reason for a column with these kinds of cells (null: none) among ``n_filled``, or None."""
    counts = dict(kinds.drop_nulls().value_counts(sort=True).iter_rows())
    for kind, count in counts.items():
        if kind in ONE_IS_ENOUGH or 2 * count > n_filled:
            return PLURALS[kind]
    return None
