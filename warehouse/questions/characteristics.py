"""The table of starting characteristics by group, in the layout journals ask for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.analysis.characteristics import StartingTable, starting_characteristics
from warehouse.marts.grouping import NOT_KNOWN, in_order
from warehouse.questions.case_table import case_table
from warehouse.questions.group_names import group_label, single_grouping
from warehouse.selection import Selection

if TYPE_CHECKING:
    from warehouse.marts.grouping import Grouping
    from warehouse.marts.reader import Reader

VARIABLES: dict[str, str] = {
    "age_at_start": "Age at start (years)",
    "sex": "Sex",
    "plane_at_start": "Mandibular plane to cranial base at start (degrees)",
    "vertical_type": "Vertical type at start",
    "incisor_class": "Incisor class",
    "growth_stage": "Growth stage",
    "extraction": "Extraction status",
    "months_observed": "Months observed",
}
"""Column of a case table -> its name in the table, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristics:
    """Starting characteristics by group."""

    by: Grouping  # The grouping
    selection: Selection  # Which cases
    build: str  # The build read
    labels: tuple[str, ...]  # Names of the groups, in the order of the table
    table: StartingTable  # The summaries, unrounded
    of_counted: bool  # Whether only cases counted under the definition are described, rather than all started


def starting_table(
    reader: Reader,
    *,
    by: str,
    definition: str | None = None,
    selection: Selection | None = None,
    of_counted: bool = False,
) -> Characteristics:
    """Describe the cases of every group at the start.

    Args:
        reader: An open snapshot.
        by: Name of a grouping in which a case has one group.
        definition: Id of an outcome definition, which says who is counted; the headline one where None.
        selection: Which cases; consecutive treated ones where None.
        of_counted: Describe only the cases counted, not all those started.

    Raises:
        RequestError: A name does not exist, or a case can be in several groups.
    """
    import polars as pl

    way, selection = single_grouping(by), selection or Selection()
    variables = [name for name in VARIABLES if name != by]
    frame = case_table(reader, reader.definition(definition), selection, columns=[by, *variables])
    if of_counted:
        frame = frame.filter(pl.col("adverse").is_not_null())
    groups = frame[by].cast(pl.String).fill_null(NOT_KNOWN)
    order = in_order(way, dict(groups.value_counts().iter_rows()))
    return Characteristics(
        by=way,
        selection=selection,
        build=reader.snapshot.build_id,
        labels=tuple(group_label(reader, way, code) for code in order),
        table=starting_characteristics(
            frame.with_columns(groups.alias("group")), group="group", variables=variables, groups=order
        ),
        of_counted=of_counted,
    )
