"""The share adverse over age at start as a number, without bands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.age_curve import age_curve
from warehouse.analysis.design import numbers
from warehouse.questions.case_table import case_table
from warehouse.questions.contrast import one_thread
from warehouse.selection import Selection

if TYPE_CHECKING:
    from warehouse.analysis.age_curve import AgeCurve
    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareOverAge:
    """The curve, and what it is of."""

    definition: Definition
    growth_reference: str
    build: str
    selection: Selection
    curve: AgeCurve


def share_over_age(
    reader: Reader,
    *,
    definition: str | None = None,
    selection: Selection | None = None,
    level: float = 0.95,
) -> ShareOverAge:
    """Share adverse against age at start, as a smooth curve with pointwise intervals; see ``age_curve``."""
    chosen, selection = reader.definition(definition), selection or Selection()
    frame = case_table(reader, chosen, selection, columns=["age_at_start"])
    counted = frame.filter(frame["adverse"].is_not_null())
    with one_thread():
        curve = age_curve(numbers(counted["age_at_start"]), numbers(counted["adverse"]), level=level)
    return ShareOverAge(
        definition=chosen,
        growth_reference=reader.growth_reference,
        build=reader.snapshot.build_id,
        selection=selection,
        curve=curve,
    )
