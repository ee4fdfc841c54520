"""What earlier loads hold of the records that a delivery of points belongs to."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from warehouse.storage import Connection


def stored_points(store: Connection, cases: Sequence[str]) -> pl.DataFrame:
    """The current points of some cases, columns as in the contract's ``landmarks``.

    Args:
        store: The store.
        cases: Case keys.
    """
    return store.frame(
        "select case_registry.case_key as case_id, timepoint, view, landmark, x, y, unit, y_axis, faces, examiner,"
        " cast(repeat_no as bigint) as repeat_no from landmarks"
        " inner join case_registry on case_registry.case_no = landmarks.case_no"
        " where landmarks.replaced_by is null and case_registry.case_key in (select unnest(?))",
        [cases],
    )


def stored_visits(store: Connection, cases: Sequence[str]) -> pl.DataFrame:
    """What the current visits of some cases say of their records: enlargement, scale, kinds of porion and gonion.

    Args:
        store: The store.
        cases: Case keys.
    """
    return store.frame(
        "select case_registry.case_key as case_id, timepoint, magnification_pct, image_scale_mm_per_px,"
        " porion_kind, gonion_kind from visits"
        " inner join case_registry on case_registry.case_no = visits.case_no"
        " where visits.replaced_by is null and case_registry.case_key in (select unnest(?))",
        [cases],
    )
