"""Two groups out of a frame: who is in, who is out and why."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from warehouse.analysis.group_pair import pair_groups
from warehouse.errors import RequestError
from warehouse.results import Caution
from warehouse.words.sentences import caution_text

FRAME = pl.DataFrame(
    {
        "appliance": ["a", "b", "c", None, "a", "b", "a"],
        "adverse": [True, False, True, True, None, None, False],
        "change": [1.5, float("nan"), 0.0, 1.0, 2.0, 3.0, None],
        "age": [8.0, 9.0, 10.0, 11.0, 12.0, None, None],
    }
)


def test_outcome_group_and_counts() -> None:
    pair = pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="b")
    assert pair.outcome.tolist() == [1.0, 0.0, 0.0]
    assert pair.first.tolist() == [True, False, True]
    assert pair.sizes == (2, 1)
    assert pair.binary
    assert pair.unit == "proportion"
    assert pair.noun == "share"
    assert pair.left_out == {"appliance missing": 1, "in neither group": 1, "adverse missing": 2}


def test_measure_is_no_share() -> None:
    pair = pair_groups(FRAME, outcome="change", group="appliance", first="a", second="b", covariates=["age"])
    assert not pair.binary
    assert pair.unit == "units of change"
    assert pair.noun == "mean"
    assert pair.outcome.tolist() == [1.5, 2.0]
    assert pair.left_out["age missing"] == 1
    assert "b" in str(pair.emptiness())


def test_missing_outcome_can_be_kept() -> None:
    pair = pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="b", keep_missing_outcome=True)
    assert np.isnan(pair.outcome).sum() == 2
    assert pair.binary
    assert pair.n == 5


def test_number_that_is_zero_or_one_is_a_yes_no() -> None:
    frame = FRAME.with_columns(pl.col("adverse").cast(pl.Int8))
    assert pair_groups(frame, outcome="adverse", group="appliance", first="a", second="b").binary


def test_nothing_known_is_not_a_yes_no_and_both_groups_are_empty() -> None:
    frame = FRAME.with_columns(change=pl.lit(None, pl.Float64))
    pair = pair_groups(frame, outcome="change", group="appliance", first="a", second="b")
    assert not pair.binary
    empty = pair.emptiness()
    assert empty is not None
    assert caution_text(empty).startswith("No case with everything recorded in: a, b")


def test_both_groups_full_is_no_emptiness() -> None:
    pair = pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="b")
    assert pair.emptiness() is None


def test_an_estimate_it_cannot_give_keeps_the_account() -> None:
    pair = pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="b", covariates=["age"])
    nothing = pair.nothing(estimand="share", method="none", reason=Caution("no_data", "all_alike"))
    assert nothing.value is None
    assert nothing.left_out == pair.left_out
    assert nothing.adjusted_for == ("age",)
    assert nothing.warnings == (Caution("no_data", "all_alike"),)


@settings(deadline=None)
@given(st.lists(st.sampled_from(["a", "b", "c", None]), max_size=30), st.integers(0, 99))
def test_every_row_is_used_or_counted(groups: list[str | None], seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = [None if rng.random() < 0.3 else float(rng.integers(0, 3)) for _ in groups]
    frame = pl.DataFrame(
        {"g": groups, "y": values, "x": values[::-1]},
        schema={"g": pl.String, "y": pl.Float64, "x": pl.Float64},
    )
    pair = pair_groups(frame, outcome="y", group="g", first="a", second="b", covariates=["x"])
    assert pair.n + sum(pair.left_out.values()) == frame.height


def test_group_against_itself_is_refused() -> None:
    with pytest.raises(RequestError, match="compared with itself"):
        pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="a")


@pytest.mark.parametrize("covariate", ["adverse", "appliance"])
def test_adjusting_for_group_or_outcome_is_refused(covariate: str) -> None:
    with pytest.raises(RequestError, match=f"Adjusting for {covariate}"):
        pair_groups(FRAME, outcome="adverse", group="appliance", first="a", second="b", covariates=[covariate])


def test_unknown_column_is_refused() -> None:
    with pytest.raises(RequestError, match="'advers'"):
        pair_groups(FRAME, outcome="advers", group="appliance", first="a", second="b")
