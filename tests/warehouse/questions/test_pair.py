"""One group before another on the same cases, against the same sums made with independent libraries."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import confint_proportions_2indep

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.covariates import NOT_MEASURED
from warehouse.plans.question import Question
from warehouse.questions.case_table import case_table
from warehouse.questions.contrast import PairComparison, compare_pair, usual_adjustment
from warehouse.selection import Selection
from warehouse.words.sentences import caution_text

A, B = "expander_tooth_borne", "fixed_labial"
ADJUST = ("plane_at_start", "sex")


@pytest.fixture(scope="module")
def result(reader: Reader) -> PairComparison:
    return compare_pair(
        reader, Question(by="appliance_category", first=A, second=B, adjust=ADJUST, strata=("vertical_type", "sex"))
    )


@pytest.fixture(scope="module")
def complete(reader: Reader) -> pl.DataFrame:
    """The same complete cases, taken without the code under test."""
    frame = case_table(reader, reader.definition(), Selection())
    return frame.filter(pl.col("appliance_category").is_in([A, B])).drop_nulls(["adverse", "sex", "plane_at_start"])


def arrays(complete: pl.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    outcome = complete["adverse"].to_numpy().astype(float)
    first = (complete["appliance_category"] == A).to_numpy().astype(float)
    male = (complete["sex"] == "male").to_numpy().astype(float)
    return outcome, first, np.column_stack([np.ones(outcome.size), complete["plane_at_start"].to_numpy(), male])


def test_every_method_uses_the_same_complete_cases(result: PairComparison, complete: pl.DataFrame) -> None:
    assert result.n == complete.height
    assert {one.difference.n for one in result.methods if one.method != "stratified"} == {complete.height}
    assert sum(result.started) == result.n + sum(result.left_out.values())


def test_crude_difference_is_newcombes(result: PairComparison, complete: pl.DataFrame) -> None:
    outcome, first, _ = arrays(complete)
    x1, n1, x2, n2 = (int(v) for v in (outcome @ first, first.sum(), outcome @ (1 - first), (1 - first).sum()))
    low, high = confint_proportions_2indep(x1, n1, x2, n2, method="newcomb")
    crude = result.method("crude").difference
    assert crude.value == pytest.approx(x1 / n1 - x2 / n2)
    assert crude.interval is not None
    assert (crude.interval.low, crude.interval.high) == pytest.approx((low, high))


def test_stratified_ratio_is_that_of_statsmodels(result: PairComparison, complete: pl.DataFrame) -> None:
    tables = []
    for _, part in sorted(complete.group_by("vertical_type", "sex"), key=lambda item: str(item[0])):
        outcome, first, _ = arrays(part)
        cells = [outcome @ first, (1 - outcome) @ first, outcome @ (1 - first), (1 - outcome) @ (1 - first)]
        if first.sum() and (1 - first).sum():
            tables.append(np.array(cells).reshape(2, 2))
    reference = StratifiedTable(tables)
    assert result.method("stratified").ratio.value == pytest.approx(reference.riskratio_pooled)
    mixed = StratifiedTable([table for table in tables if table.sum(axis=0).all()])
    assert result.homogeneity.p_value == pytest.approx(mixed.test_equal_odds(adjust=True).pvalue)
    assert result.method("stratified").p_value == pytest.approx(reference.test_null_odds(correction=False).pvalue)


def test_standardised_risks_are_those_of_a_logistic_model(result: PairComparison, complete: pl.DataFrame) -> None:
    outcome, first, covariates = arrays(complete)
    fit = sm.Logit(outcome, np.column_stack([covariates, first])).fit(disp=0)
    risks = [fit.predict(np.column_stack([covariates, np.full(outcome.size, side)])).mean() for side in (1.0, 0.0)]
    found = result.method("standardised")
    assert found.first is not None
    assert found.second is not None
    assert (found.first.value, found.second.value) == pytest.approx(tuple(risks), abs=1e-8)


@pytest.mark.parametrize("method", ["overlap", "inverse"])
def test_weighted_shares_are_those_of_weights_by_hand(
    result: PairComparison, complete: pl.DataFrame, method: str
) -> None:
    outcome, first, covariates = arrays(complete)
    e = sm.Logit(first, covariates).fit(disp=0).predict(covariates)
    weights = np.where(first == 1, 1 - e, e) if method == "overlap" else np.where(first == 1, 1 / e, 1 / (1 - e))
    shares = [np.average(outcome[first == side], weights=weights[first == side]) for side in (1, 0)]
    found = result.method(method)
    assert found.first is not None
    assert found.second is not None
    assert (found.first.value, found.second.value) == pytest.approx(tuple(shares), abs=1e-6)


def test_the_balance_picture_has_every_covariate_and_overlap_balances_exactly(result: PairComparison) -> None:
    names = [row.name for row in result.balance_overlap.rows]
    assert names == ["mandibular plane angle at start", "sex=male"]
    assert result.balance_overlap.largest_before is not None
    assert result.balance_overlap.largest_before > 0.3
    assert result.balance_overlap.largest_after == pytest.approx(0.0, abs=1e-6)


def test_the_e_value_belongs_to_the_primary_ratio(result: PairComparison) -> None:
    assert result.primary == "overlap"
    ratio = result.answer.ratio.value
    assert ratio is not None
    assert ratio > 1.0
    assert result.e_value.estimate == pytest.approx(ratio + np.sqrt(ratio * (ratio - 1.0)))


def test_what_was_and_was_not_adjusted_for_is_said(result: PairComparison) -> None:
    assert result.adjusted_for == ("mandibular plane angle at start", "sex")
    assert "age at start" in result.not_adjusted_for
    assert not set(result.adjusted_for) & set(result.not_adjusted_for)
    assert result.not_measured == NOT_MEASURED


def test_the_groups_themselves_are_not_among_the_usual_adjustment() -> None:
    assert usual_adjustment("sex") == ("age_at_start", "plane_at_start", "incisor_class")
    assert usual_adjustment("age_band") == ("sex", "plane_at_start", "incisor_class")
    assert usual_adjustment("vertical_type") == ("age_at_start", "sex", "incisor_class")


def test_adjusting_for_the_groups_themselves_is_refused(reader: Reader) -> None:
    with pytest.raises(RequestError, match="cannot be adjusted for plane_at_start"):
        compare_pair(reader, Question(by="vertical_type", first="high", second="low", adjust=("plane_at_start",)))


def test_a_variable_known_only_later_carries_a_caution(reader: Reader) -> None:
    found = compare_pair(reader, Question(by="appliance_category", first=A, second=B, adjust=("months_observed",)))
    assert any("known only at the finish" in caution_text(caution) for caution in found.cautions)
    assert found.stratified_by == ()


def test_groups_that_a_case_can_share_leave_those_in_both_out(reader: Reader) -> None:
    found = compare_pair(reader, Question(by="appliance_ever", first="functional_removable", second=B, adjust=()))
    both = reader.connection.value(
        "select count(*) from mart_cases where appliance_ever like '%functional_removable%'"
        " and appliance_ever like '%fixed_labial%'"
    )
    assert found.in_both == both > 0
    alone = reader.connection.value("select count(*) from mart_cases where appliance_ever = 'functional_removable'")
    assert found.started[0] == alone


def test_many_cases_get_the_odds_ratio_of_a_plain_model(
    reader: Reader, monkeypatch: pytest.MonkeyPatch, result: PairComparison
) -> None:
    monkeypatch.setattr("warehouse.questions.methods.PENALTY_MATTERS_TO", 10)
    found = compare_pair(reader, Question(by="appliance_category", first=A, second=B, adjust=ADJUST))
    assert "Wald" in found.odds_ratio.method
    assert "profile" in result.odds_ratio.method
    assert found.odds_ratio.value == pytest.approx(result.odds_ratio.value, rel=0.1)


@pytest.mark.parametrize(
    ("wrong", "hint"),
    [
        ({"first": "expander_tooth_bornee"}, "did you mean expander_tooth_borne"),
        ({"by": "aplliance_category"}, "did you mean appliance_category"),
        ({"adjust": ("sexx",)}, "did you mean sex"),
        ({"strata": ("age_bands",)}, "did you mean age_band"),
        ({"second": A}, "compared with itself"),
        ({"definition": "D11"}, "did you mean D1"),
    ],
)
def test_a_wrong_name_is_refused_with_a_near_one(reader: Reader, wrong: dict[str, object], hint: str) -> None:
    asked = {"by": "appliance_category", "first": A, "second": B} | wrong
    with pytest.raises(Exception, match=hint):
        compare_pair(reader, Question(**asked))  # type: ignore[arg-type]
