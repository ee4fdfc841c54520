"""Limits to the last digit: what lies exactly on one, and a column that has one end only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipelines.checking.rules import SLACK, load_rules
from pipelines.checking.tables import CheckedTables
from pipelines.checking.validation import Examiner, Judged
from pipelines.contract.contract import Contract, ContractColumn, load_contract
from warehouse.measures.catalogue import CATALOGUE

CONTRACT = load_contract()
RULES = load_rules(CONTRACT, CATALOGUE)
KEY = {"case": 0, "timepoint": "start", "examiner": "E1", "repeat_no": 1}


def with_limits(low: float | None, high: float | None) -> Contract:
    """The contract with other limits for the age at the start."""

    def column(one: ContractColumn) -> ContractColumn:
        return replace(one, min=low, max=high) if one.name == "age_at_start" else one

    tables = tuple(replace(table, columns=tuple(map(column, table.columns))) for table in CONTRACT.tables)
    return replace(CONTRACT, tables=tables)


@pytest.mark.parametrize(("low", "high"), [(2.0, None), (None, 120.0), (None, None)])
def test_a_column_with_less_than_two_limits_has_no_range(low: float | None, high: float | None) -> None:
    rules = load_rules(with_limits(low, high), CATALOGUE)
    assert "C-age_at_start-range" not in rules
    assert rules.keys() == RULES.keys() - {"C-age_at_start-range"}


def test_a_limit_of_zero_is_a_limit() -> None:
    assert load_rules(with_limits(0.0, 0.0), CATALOGUE)["C-age_at_start-range"].arguments == {"low": 0.0, "high": 0.0}


def agrees(examiner: Examiner, made: float, typed: float) -> bool:
    """Whether a typed value passes beside the one that follows from the points of the same reading (X014)."""
    one = np.zeros(2, dtype=np.bool_)
    frames = {
        "landmarks": pl.DataFrame({"file": [1]}),
        "readings": pl.DataFrame([{**KEY, "file": 1, "row": 2, "sn_gogn_deg": made}]),
        "measurements": pl.DataFrame([{**KEY, "file": 0, "row": 2, "measure": "sn_gogn_deg", "value": typed}]),
    }
    tables = CheckedTables(frames=frames, n_cases=1, known=one, given=~one, accepted=~one, measures=CATALOGUE, wide=one)
    return not examiner.failing([RULES["X014"]], Judged(tables))["X014"].size


def test_a_typed_value_may_differ_from_the_points_by_exactly_what_is_allowed(examiner: Examiner) -> None:
    within = RULES["X014"].arguments["within"]
    assert within == 1.0
    assert RULES["X014"].limits() == (-within - SLACK, within + SLACK)
    for made, typed in ((31.0, 32.0), (32.0, 31.0), (1.6, 2.6), (32.6, 33.6)):
        assert agrees(examiner, made, typed), (made, typed)
    beyond_by_rounding = [(k / 10, (k + 10) / 10) for k in range(400) if (k + 10) / 10 - k / 10 > within]
    assert beyond_by_rounding  # what is one apart in tenths is more in binary, and is still one
    assert all(agrees(examiner, made, typed) for made, typed in beyond_by_rounding[:5])
    assert not agrees(examiner, 31.0, 32.001)
    assert not agrees(examiner, 32.001, 31.0)
