"""What a warehouse knows that a report of an observational study has to say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.plans.plan import registered_plans
from warehouse.plans.planned_or_explored import present_record
from warehouse.questions.case_table import measures_read
from warehouse.questions.shares import rates
from warehouse.selection import Selection

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.plans.looks import LookRecord
    from warehouse.plans.plan import RegisteredPlan
    from warehouse.questions.shares import Rates

DESCRIBED = ("age_at_start", "sex", "plane_at_start", "incisor_class", "growth_stage", "appliance_first", "extraction")
"""Columns of mart_cases whose gaps are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StrobeFacts:
    """Facts for the checklist."""

    rates: Rates  # The share over all the cases, with its sampling frame
    n_practices: int  # Practices with cases among those selected
    quarters: tuple[str, str] | None  # First and last quarter of start; None where none is recorded
    months: tuple[float, int] | None  # Mean months observed and number of cases it is known for
    loaded: tuple[str, str] | None  # First and last day of loading; None where nothing was loaded
    missing: dict[str, int]  # Column -> cases started in which it is not recorded
    n_measures: int  # Measures read
    # Measure, pairs and Dahlberg's error of the definition's first measure with usable repeats; None without
    error: tuple[str, int, float] | None
    plans: tuple[RegisteredPlan, ...]  # Plans on record
    record: LookRecord  # Looks so far


def strobe_facts(reader: Reader, *, definition: str | None = None, selection: Selection | None = None) -> StrobeFacts:
    """Gather the facts for one definition (the headline one where None) and selection of cases."""
    selection = selection or Selection()
    found = rates(reader, definition=definition, selection=selection)
    condition, values = selection.where()
    gaps = ", ".join(f"count(*) filter (where {column} is null)" for column in DESCRIBED)
    row = reader.connection.rows(
        "select count(distinct practice), min(start_quarter), max(start_quarter), avg(months_observed),"
        f" count(months_observed), {gaps} from mart_cases where {condition}",
        values,
    )[0]
    loaded = reader.connection.rows("select min(loaded_at), max(loaded_at) from mart_loads")[0]
    return StrobeFacts(
        rates=found,
        n_practices=row[0],
        quarters=(row[1], row[2]) if row[1] else None,
        months=(row[3], row[4]) if row[4] else None,
        loaded=(loaded[0].date().isoformat(), loaded[1].date().isoformat()) if loaded[0] else None,
        missing={column: int(n) for column, n in zip(DESCRIBED, row[5:], strict=True) if n},
        n_measures=len(measures_read(reader)),
        error=_error(reader, found),
        plans=registered_plans(reader),
        record=present_record(reader),
    )


def _error(reader: Reader, found: Rates) -> tuple[str, int, float] | None:
    """The definition's first measure with usable repeats, over all practices."""
    for measure in found.definition.measures:
        rows = reader.connection.rows(
            "select sum(n_pairs), sqrt(sum(n_pairs * sem * sem) / sum(n_pairs)) from mart_method_errors"
            " where measure = ? and is_used",
            [measure],
        )
        n, sem = rows[0]
        if n:
            return measure, int(n), float(sem)
    return None
