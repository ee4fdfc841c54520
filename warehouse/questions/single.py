"""One comparison by the crude and one other method, without the rest: for subgroups and further outcomes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from warehouse.marts.grouping import grouping
from warehouse.plans.question import Question
from warehouse.questions.contrast import codes_of, one_thread
from warehouse.questions.group_names import group_label
from warehouse.questions.methods import METHODS
from warehouse.questions.prepare import prepared_pair, two_group_frame

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from warehouse.marts.reader import Reader
    from warehouse.outcomes.definition import Definition
    from warehouse.questions.methods import MethodResult
    from warehouse.selection import Selection


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleComparison:
    """Two groups compared on one outcome."""

    question: Question  # What was asked
    definition: Definition  # The outcome definition
    labels: tuple[str, str]  # Names of the two groups
    crude: MethodResult  # The shares as they are, on the complete cases
    answer: MethodResult  # The method asked for, on the same cases (the crude one itself where that was asked for)
    n: int  # Complete cases
    left_out: Mapping[str, int]  # Reason -> cases not used


def compare_single(
    reader: Reader,
    *,
    by: str,
    codes: tuple[str, str],
    definition: Definition,
    selection: Selection,
    adjust: Sequence[str],
    strata: Sequence[str],
    method: str,
    level: float = 0.95,
) -> SingleComparison:
    """Compare two groups by the crude method and by ``method``. Nothing is written to the record of looks.

    Raises:
        RequestError: A name does not exist.
    """
    way = grouping(by)
    cases = two_group_frame(
        reader,
        by=by,
        codes=codes_of(reader, way, codes),
        labels=(group_label(reader, way, codes[0]), group_label(reader, way, codes[1])),
        definition=definition,
        selection=selection,
        adjust=adjust,
        strata=strata,
    )
    with one_thread():
        prepared = prepared_pair(cases, adjust=adjust, level=level)
        crude = METHODS["crude"](prepared)
        answer = crude if method == "crude" else METHODS[method](prepared)
    return SingleComparison(
        question=Question(
            outcome=definition.name,
            by=by,
            first=codes[0],
            second=codes[1],
            selection=selection,
            adjust=tuple(adjust),
        ),
        definition=definition,
        labels=cases.labels,
        crude=crude,
        answer=answer,
        n=prepared.pair.n,
        left_out=prepared.pair.left_out,
    )
