"""What leaves a practice: k and l judged by another library, counts attacked, and renewals compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import polars as pl
import pytest
from pycanon.anonymity import k_anonymity, l_diversity

from tests.study_group import FULL, agreement, as_cases, cohort, counted, member, together
from tests.warehouse.disclosure.attacker import attack
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases, result_column
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.history import HandedOver, past_of
from warehouse.pooled.tables import SCOPE, totals_name
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE
from warehouse.results import Caution
from warehouse.words.sentences import caution_text


def judge(frame: pl.DataFrame, agreed: Agreement) -> tuple[int, int]:
    """k and the smallest number of different outcomes in a group, as pycanon 1.3.6 finds them."""
    names = [one.name for one in agreed.variables]
    table = pd.DataFrame(frame.to_dict(as_series=False))
    return k_anonymity(table, names), l_diversity(table, names, [result_column("D1")])


def check_cohort(seed: int) -> None:
    rng = np.random.default_rng(seed)
    agreed = replace(FULL, k=int(rng.integers(2, 11)), l=int(rng.integers(1, 4)))
    cases = cohort(rng, int(rng.integers(20, 400)), agreed, share=rng.uniform(0.02, 0.4), even=rng.uniform(0.2, 3))
    made = hand_over(cases, agreed, level="cases")
    if made.cases is None:
        outcomes = cases.frame[result_column("D1")].n_unique()
        assert cases.frame.height < agreed.k or outcomes < agreed.l  # merged into one group, these would do
        return
    k, l = judge(made.cases, agreed)  # noqa: E741
    assert k >= agreed.k
    assert l >= agreed.l
    assert made.cases.height == cases.frame.height
    assert sorted(made.cases[result_column("D1")]) == sorted(cases.frame[result_column("D1")])


@pytest.mark.parametrize("seed", range(8))
def test_every_case_level_contribution_reaches_its_k_and_l(seed: int) -> None:
    check_cohort(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8, 208))
def test_two_hundred_more_reach_their_k_and_l(seed: int) -> None:
    check_cohort(seed)


def check_counts(seed: int) -> None:
    """No small count is shown, none comes out of all tables of a contribution together, and the truth is possible."""
    rng = np.random.default_rng(seed)
    agreed = agreement(minimum=int(rng.integers(3, 9)))
    cases = cohort(rng, int(rng.integers(20, 300)), agreed, share=rng.uniform(0.02, 0.4), even=rng.uniform(0.3, 3))
    made = hand_over(cases, agreed, level="counts")
    for table in made.tables:
        for cell in table.cells.values():
            assert cell.value is None or cell.value == 0 or cell.value >= agreed.minimum
    for one in attack(made.tables):
        assert one.low < one.high
        assert one.low <= true_count(cases, one.table, one.key, made.tables) <= one.high


def true_count(cases: GroupCases, name: str, key: tuple[str, ...], tables: tuple) -> int:
    layout = next(one for one in tables if one.name == name).layout
    frame = cases.frame.rename({result_column("D1"): "result D1"})
    for dimension, category in zip(layout.dimensions, key, strict=True):
        frame = frame.filter(pl.col(dimension.name).is_in(list(dimension.values(category))))
    return frame.height


@pytest.mark.parametrize("seed", range(12))
def test_no_hidden_count_of_a_contribution_can_be_worked_out(seed: int) -> None:
    check_counts(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12, 112))
def test_a_hundred_more_contributions_withstand_the_solver(seed: int) -> None:
    check_counts(seed)


def test_counts_are_given_at_the_finest_level_without_small_ones() -> None:
    agreed = agreement(groupings=("age_band",))
    cases = together(
        counted(6, 20, agreed, age_band="8-9"),
        counted(2, 20, agreed, age_band="10-11"),
        counted(4, 20, agreed, age_band="12-13"),
        agreed=agreed,
    )
    made = hand_over(cases, agreed, level="counts")
    table = made.tables[1]
    assert table.cells["under 10", "adverse"].shown == "6"
    assert table.cells["10-13", "adverse"].shown == "6"
    assert made.changes == ("age_band is merged to: under 10, 10-13, 14 and over, or not recorded.",)
    assert made.held_back == ()


def test_a_zero_looks_different_from_a_hidden_count() -> None:
    agreed = agreement(groupings=("extraction",))
    cases = together(
        counted(0, 30, agreed, extraction="extraction"),
        counted(9, 30, agreed, extraction="non-extraction"),
        agreed=agreed,
    )
    table = hand_over(cases, agreed, level="counts").tables[1]
    assert table.cells["extraction", "adverse"].shown == "0"
    hidden = hand_over(counted(3, 40, agreed), agreed, level="counts").tables[0]
    assert hidden.cells["adverse",].shown == "fewer than 5"


def test_where_a_total_is_hidden_no_breakdown_leaves() -> None:
    agreed = agreement()
    made = hand_over(counted(3, 60, agreed), agreed, level="counts")
    assert [one.name for one in made.tables] == [totals_name("D1")]
    assert made.held_back == ("D1: a total is hidden, so no breakdown is given.",)


def test_single_cases_do_not_leave_where_counts_were_agreed() -> None:
    agreed = agreement(level="counts")
    assert "counts only" in hand_over(counted(9, 40, agreed), agreed, level="cases").refused


@pytest.mark.parametrize(("n", "words"), [(0, "no consecutive treated case"), (12, "takes at most 11")])
def test_too_few_and_too_many_cases_are_said_in_words(n: int, words: str) -> None:
    agreed = agreement(most_cases=11)
    assert words in hand_over(counted(0, n, agreed), agreed, level="counts").refused


def handed(cases: GroupCases, agreed: Agreement, level: str, history: tuple[HandedOver, ...] = ()) -> HandedOver:
    made = hand_over(cases, agreed, level=level, history=history)  # type: ignore[arg-type]
    assert not made.refused, made.refused
    return HandedOver(
        level=level,
        versions=cases.versions,
        releases=made.tables,
        levels=made.levels,
    )


def test_a_renewal_by_a_few_cases_is_refused() -> None:
    agreed = agreement()
    before = cohort(np.random.default_rng(1), 100, agreed)
    more = as_cases(pl.concat([before.frame, cohort(np.random.default_rng(2), 3, agreed).frame]), agreed)
    made = hand_over(more, agreed, level="counts", history=(handed(before, agreed, "counts"),))
    assert isinstance(made.refused, Caution)
    assert caution_text(made.refused).startswith("Only 3 cases are new")


def test_the_same_cases_may_be_handed_over_again_for_a_new_agreement() -> None:
    agreed = agreement()
    cases = cohort(np.random.default_rng(1), 100, agreed)
    made = hand_over(cases, replace(agreed, version=2), level="counts", history=(handed(cases, agreed, "counts"),))
    assert not made.refused
    assert made.difference is None


def test_a_renewal_hides_what_the_comparison_with_the_earlier_one_would_give_away() -> None:
    """Twelve new cases of which one is adverse: 20 adverse before and 21 now would say so."""
    agreed = agreement(groupings=())
    before = counted(20, 80, agreed)
    after = as_cases(pl.concat([before.frame, counted(1, 11, agreed).frame]), agreed)
    first = handed(before, agreed, "counts")
    second = hand_over(after, agreed, level="counts", history=(first,)).tables[0]
    assert second.cells["adverse",].state == "withheld"
    past = past_of((first,), "D1", after.versions["D1"])
    assert past.scope == ("01", "11")
    assert all(one.low < one.high for one in attack([*past.releases, second]))
    alone = hand_over(after, agreed, level="counts").tables[0]
    assert alone.cells["adverse",].shown == "21"


def check_renewals(seed: int) -> None:
    """Four contributions in a row, with cases added and corrected: all tables together give no hidden count away."""
    rng = np.random.default_rng(seed)
    agreed = agreement(groupings=("extraction",), fewest_new=1)
    pool = cohort(rng, 260, agreed, share=0.12, even=2.0).frame
    n, history = 60, ()
    frame = pool.head(n)
    for _ in range(4):
        history = (*history, handed(as_cases(frame, agreed), agreed, "counts", history))
        more = int(rng.integers(1, 60))
        fixed = int(rng.integers(0, 4))
        columns = result_column("D1")
        results = frame[columns].to_list()
        for i in rng.choice(frame.height, fixed, replace=False).tolist():
            results[i] = ADVERSE if results[i] == NOT_ADVERSE else NOT_ADVERSE
        frame = pl.concat([frame.with_columns(pl.Series(columns, results)), pool.slice(n, more)])
        n += more
    now = history[-1].versions["D1"]
    past = past_of(history, "D1", now)
    shown = [one for one in past.releases if one.layout.scope[SCOPE] != ("nothing",)]
    assert len(shown) >= 4
    found = attack(shown)
    assert found, "nothing was hidden: the seed shows nothing"
    assert all(one.low < one.high for one in found)


@pytest.mark.parametrize("seed", range(4))
def test_successive_contributions_give_nothing_away_together(seed: int) -> None:
    check_renewals(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4, 44))
def test_forty_more_chains_of_contributions_give_nothing_away(seed: int) -> None:
    check_renewals(seed)


def test_the_groups_that_new_cases_form_among_themselves_are_counted() -> None:
    agreed = agreement(variables=("sex",), groupings=(), fewest_new=5)
    before = together(counted(5, 20, agreed, sex="female"), counted(5, 20, agreed, sex="male"), agreed=agreed)
    new = together(counted(1, 5, agreed, sex="female"), counted(1, 1, agreed, sex="male"), agreed=agreed)
    after = as_cases(pl.concat([before.frame, new.frame]), agreed)
    made = hand_over(after, agreed, level="cases", history=(handed(before, agreed, "cases"),))
    assert made.alike_among_new == 2


def test_rows_leave_in_an_order_that_says_nothing() -> None:
    cases = cohort(np.random.default_rng(5), 200, FULL)
    made = hand_over(cases, FULL, level="cases")
    assert made.cases is not None
    assert made.cases.equals(made.cases.sort(made.cases.columns))
    assert member(made, "A").levels == dict(made.levels)
