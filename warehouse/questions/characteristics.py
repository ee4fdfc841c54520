"""The table of starting characteristics by group, in the layout journals ask for."""

from dataclasses import dataclass

import polars as pl

from warehouse.analysis.characteristics import StartingTable, starting_characteristics
from warehouse.marts.grouping import NOT_KNOWN, Grouping, group_label, in_order, single_grouping
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.case_table import case_table
from warehouse.selection import stated

VARIABLES: dict[str, str] = stated("characteristics")  # column of a case table -> its name in the table, in order


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristics(Stamped):
    """Starting characteristics by group."""

    by: Grouping  # The grouping
    labels: tuple[str, ...]  # Names of the groups, in the order of the table
    table: StartingTable  # The summaries, unrounded
    of_counted: bool  # Whether only cases counted under the definition are described, rather than all started


def starting_table(reader: Reader, question: Question, *, of_counted: bool = False) -> Characteristics:
    """Describe the cases of every group at the start; with ``of_counted`` only those counted under the definition.

    Raises RequestError: a case can be in several groups.
    """
    stamp, way, by = stamp_of(reader, question), single_grouping(question.by), question.by
    variables = [name for name in VARIABLES if name != by]
    frame = case_table(reader, stamp.definition, stamp.selection, columns=[by, *variables])
    if of_counted:
        frame = frame.filter(pl.col("adverse").is_not_null())
    groups = frame[by].cast(pl.String).fill_null(NOT_KNOWN)
    order = in_order(way, dict(groups.value_counts().iter_rows()))
    return Characteristics(
        stamp=stamp,
        by=way,
        labels=tuple(group_label(reader, way, code) for code in order),
        table=starting_characteristics(
            frame.with_columns(groups.alias("group")), group="group", variables=variables, groups=order
        ),
        of_counted=of_counted,
    )
