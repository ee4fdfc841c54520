"""What earlier loads hold of the records that a delivery of points belongs to."""

from collections.abc import Sequence

import polars as pl

from warehouse.store.quoting import statement
from warehouse.store.storage import Connection


def stored_points(store: Connection, cases: Sequence[str]) -> pl.DataFrame:
    """The current points of some cases, columns as in the contract's ``landmarks``."""
    return store.frame(statement("pipelines.points", "stored_points.sql"), [cases])


def stored_visits(store: Connection, cases: Sequence[str]) -> pl.DataFrame:
    """What the current visits of some cases say of their records: enlargement, scale, kinds of porion and gonion."""
    return store.frame(statement("pipelines.points", "stored_visits.sql"), [cases])


def records_measured_otherwise(store: Connection, visits: pl.DataFrame) -> int:
    """How many records with points in the store had another enlargement or scale than these visits state.

    ``visits``: Visits of a delivery, with ``case_id`` (the case key) and ``timepoint``.
    """
    if not store.value("select count(*) from (select 1 from landmarks where replaced_by is null limit 1)"):
        return 0
    said = ("magnification_pct", "image_scale_mm_per_px")
    given = visits.select("case_id", "timepoint", *(name for name in said if name in visits.columns))
    differs = " or ".join(f"visits.{name} is distinct from given_visits.{name}" for name in said if name in given)
    if not differs:
        return 0
    with store.given(given_visits=given.drop_nulls(["case_id", "timepoint"])):
        found: int = store.value(statement("pipelines.points", "measured_otherwise.sql", differs=differs))
    return found
