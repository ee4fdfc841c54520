"""The finest classes of the counted add up to all of them, whether or not each has one change."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from warehouse.disclosure import Count, Policy
from warehouse.protected.counts import ADVERSE, COUNTED, FAVOURABLE, NOT_ADVERSE, chain_of, row_alone, threshold_name

CHANGES = pl.DataFrame(
    {
        "value": [0.5, -3.0, 2.0, 2.5, 3.0],
        "is_adverse": [False, False, True, True, True],
        "is_favourable": [False, True, False, False, False],
    }
)


def counted(*edges: float, n_assessable: int, n_adverse: int, values: pl.DataFrame) -> Any:
    group = SimpleNamespace(
        stages=(), counted=Count.of(n_assessable), adverse=Count.of(n_adverse), favourable=Count.of(1)
    )
    points = tuple(SimpleNamespace(threshold=edge) for edge in edges)
    return SimpleNamespace(
        overall=SimpleNamespace(groups=(group,)), threshold=SimpleNamespace(points=points), values=values
    )


def test_where_every_counted_case_has_one_change_the_thresholds_tell_the_cases_apart() -> None:
    chain = chain_of(counted(2.0, 3.0, n_assessable=5, n_adverse=3, values=CHANGES))
    assert chain.has_thresholds
    assert sum(chain.atoms.values()) == 5
    of = {name: sum(chain.atoms[atom] for atom in atoms) for name, atoms in chain.members.items()}
    assert (of[COUNTED], of[ADVERSE], of[threshold_name(2.0)], of[threshold_name(3.0)]) == (5, 3, 3, 1)
    assert (of[FAVOURABLE], chain.has_other_way) == (1, True)


@pytest.mark.parametrize(
    "without",
    [
        counted(2.0, n_assessable=7, n_adverse=4, values=CHANGES),  # two cases counted without a single change
        counted(n_assessable=5, n_adverse=3, values=CHANGES),  # no threshold to show
        counted(n_assessable=7, n_adverse=4, values=CHANGES),
    ],
)
def test_else_the_outcome_alone_tells_them_apart(without: Any) -> None:
    group = without.overall.groups[0]
    chain = chain_of(without)
    assert not chain.has_thresholds
    assert chain.atoms == {ADVERSE: group.adverse.n, NOT_ADVERSE: group.counted.n - group.adverse.n}
    assert set(chain.members[COUNTED]) == {ADVERSE, NOT_ADVERSE}


def test_few_cases_left_out_by_another_definition_cannot_be_taken_from_the_number_started() -> None:
    """104 started and 103 counted, rounded to 105: without more hidden, one case at most would be left out."""
    row = SimpleNamespace(group="all", label="all", counted=Count.of(103), adverse=Count.of(20), favourable=None)
    result: Any = SimpleNamespace(groups=(row,), method="wilson", level=0.95)
    by_itself = row_alone(result, Policy(round_to=5), name="another")
    beside = row_alone(result, Policy(round_to=5), name="another", started=Count.of(104))
    assert (by_itself.counted.value, by_itself.adverse.value) == (105, 20)
    assert (beside.counted.value, beside.adverse.value, beside.rate.value) == (None, 20, None)
