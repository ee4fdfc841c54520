"""The pooled mean change: against another library, the same however it was given, and only where it may be shown."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS
from statsmodels.stats.meta_analysis import combine_effects

from tests.study_group import agreement, counted, member
from warehouse.outcomes.registry import shipped_registry
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.handing_over import HandingOver, hand_over
from warehouse.pooled.history import HandedOver, Moments, marks_of, moments_from, moments_of
from warehouse.pooled.pooling import pooled_result
from warehouse.pooled.publishing import Publisher
from warehouse.pooled.result import MeanPool
from warehouse.words.pooled import mean_prediction_sentence, mean_sentence, spread_sentence

PLAIN = agreement(groupings=(), k=2, l=1, fewest_new=1)


def with_changes(cases: GroupCases, changes: list[float]) -> GroupCases:
    keys = sorted(cases.values["D1"])
    return replace(cases, values=MappingProxyType({"D1": dict(zip(keys, changes, strict=True))}))


def practices(k: int = 6, seed: int = 5) -> list[GroupCases]:
    """Practices of 60 to 160 cases whose mean changes differ about 1.2 degrees."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(k):
        n, mean = int(rng.integers(60, 160)), float(rng.normal(1.2, 0.4))
        found.append(with_changes(counted(12, n - 12, PLAIN), rng.normal(mean, 2.1, n).round(1).tolist()))
    return found


def pooled_mean(made: list[HandingOver], agreed: Agreement = PLAIN) -> MeanPool:
    given = [member(one, f"{i:03}") for i, one in enumerate(made)]
    publisher = Publisher(agreed.pooled_policy)
    result = pooled_result(given, agreed, publisher=publisher, salt="s", number=1, made_on="2026-02-01")
    return result.means[0]


def numbers(found: MeanPool) -> list[float | None]:
    spread = found.spread
    return [
        *(value for one in found.figures for value in (one.value, one.low, one.high)),
        *(value for one in found.lines for value in (one.n, one.mean, one.low, one.high, one.weight)),
        found.prediction_low,
        found.prediction_high,
        *((spread.q, spread.i2, spread.tau2) if spread else ()),
    ]


def test_counts_only_gives_the_mean_that_single_cases_give() -> None:
    of_counts = pooled_mean([hand_over(one, PLAIN, level="counts") for one in practices()])
    of_cases = pooled_mean([hand_over(one, PLAIN, level="cases") for one in practices()])
    assert len(numbers(of_counts)) == 3 + 30 + 2 + 3
    assert numbers(of_counts) == pytest.approx(numbers(of_cases), abs=1e-9)


def test_the_pooled_mean_is_that_of_the_single_changes_by_another_library() -> None:
    """statsmodels on the changes themselves: weighted least squares with our spread."""
    given = practices()
    found = pooled_mean([hand_over(one, PLAIN, level="counts") for one in given])
    changes = [np.array(list(one.values["D1"].values())) for one in given]
    means = np.array([one.mean() for one in changes])
    variances = np.array([one.var(ddof=1) / one.size for one in changes])
    assert found.spread is not None
    assert found.spread.q == pytest.approx(combine_effects(means, variances).q, abs=1e-9)
    fit = WLS(means, np.ones(len(given)), weights=1 / (variances + found.spread.tau2)).fit()
    (figure,) = found.figures
    assert figure.value == pytest.approx(fit.params[0], abs=1e-9)
    assert [figure.low, figure.high] == pytest.approx(fit.conf_int()[0], abs=1e-9)
    assert figure.n == sum(one.size for one in changes)


def test_the_moments_are_those_of_all_changes_put_together_again() -> None:
    """Number, mean and variance add up exactly: what two parts give is what the whole gives."""
    rng = np.random.default_rng(2)
    first, second = rng.normal(0, 2, 40), rng.normal(1, 3, 25)
    one, two, whole = (moments_of(values.tolist()) for values in (first, second, np.concatenate([first, second])))
    assert one is not None
    assert two is not None
    assert whole is not None
    n = one.n + two.n
    mean = (one.n * one.mean + two.n * two.mean) / n
    squares = (one.n - 1) * one.variance + (two.n - 1) * two.variance
    between = one.n * (one.mean - mean) ** 2 + two.n * (two.mean - mean) ** 2
    assert whole.mean == pytest.approx(mean, abs=1e-12)
    assert whole.variance == pytest.approx((squares + between) / (n - 1), abs=1e-12)


def test_a_mean_of_few_cases_does_not_leave() -> None:
    made = hand_over(
        counted(3, 4, agreement(groupings=(), minimum=3)), agreement(groupings=(), minimum=3), level="counts"
    )
    assert dict(made.means) == {}
    assert "D1: no mean change, because a mean needs 8 cases; there are 7." in made.held_back


def test_a_mean_does_not_leave_where_the_number_of_its_cases_is_hidden() -> None:
    agreed = agreement(groupings=(), minimum=12)
    made = hand_over(counted(3, 6, agreed), agreed, level="counts")
    assert "D1: no mean change, because the number of cases counted is hidden." in made.held_back


def test_a_mean_does_not_leave_where_it_would_tell_of_cases_without_a_change() -> None:
    cases = counted(12, 60, PLAIN)
    values = dict(list(cases.values["D1"].items())[1:])
    made = hand_over(replace(cases, values={"D1": values}), PLAIN, level="counts")
    assert any("1 counted case has no change" in one for one in made.held_back)


def handed(cases: GroupCases, made: HandingOver) -> HandedOver:
    values = {outcome: marks_of(cases.values[outcome]) for outcome in made.means}
    return HandedOver(
        level=made.level,
        versions=cases.versions,
        releases=made.tables,
        values=values,
    )


@pytest.mark.parametrize(("changed", "leaves"), [(0, True), (1, False), (7, False), (8, True)])
def test_two_means_in_a_row_do_not_give_the_few_that_differ_away(changed: int, leaves: bool) -> None:
    """The results are the same, so nothing else would notice that so many changes were measured anew."""
    first = practices(1)[0]
    made = hand_over(first, PLAIN, level="counts")
    assert made.means
    keys = sorted(first.values["D1"])
    again = [value + (i < changed) for i, value in enumerate(first.values["D1"][key] for key in keys)]
    second = hand_over(with_changes(first, again), PLAIN, level="counts", history=(handed(first, made),))
    assert bool(second.means) is leaves
    assert leaves or any(f"it would tell about {number_of(changed, 'case')}" in one for one in second.held_back)


def test_a_definition_of_several_parts_has_no_mean() -> None:
    registry = shipped_registry()
    several = next(one for one in registry if one.single_change is None)
    agreed = agreement(groupings=(), definitions=(several,), outcomes=(several.id,))
    made = hand_over(counted(12, 60, agreed), agreed, level="counts")
    assert dict(made.means) == {}
    assert not any("mean" in one for one in made.held_back)
    publisher = Publisher(agreed.pooled_policy)
    given = [member(made, f"{i}") for i in range(3)]
    result = pooled_result(given, agreed, publisher=publisher, salt="s", number=1, made_on="2026-02-01")
    assert result.means == ()


def test_with_too_few_means_there_is_a_sentence() -> None:
    made = [hand_over(one, PLAIN, level="counts") for one in practices(3)]
    found = pooled_mean([made[0], made[1], replace(made[2], means={})])
    assert found.refused == "A pooled mean needs at least 3 practices that show theirs; 2 can be used."
    assert mean_sentence(found) == found.refused
    assert mean_prediction_sentence(found) == spread_sentence(found) == ""


def test_lines_keep_the_labels_of_the_shares_and_figures_are_put_in_words() -> None:
    found = pooled_mean([hand_over(one, PLAIN, level="counts") for one in practices()])
    assert [one.label for one in found.lines] == [f"practice {i}" for i in range(1, 7)]
    sizes = [one.n for one in found.lines]
    assert sizes == sorted(sizes, reverse=True)
    assert mean_sentence(found).startswith("Over 6 practices the mean change is +0.97 degrees")
    assert "degrees (95% interval +0.46 to +1.48)" in mean_sentence(found)
    assert "prediction interval" in mean_prediction_sentence(found)


@pytest.mark.parametrize(
    "plain",
    [None, {}, [], [10, 1.0], [10.0, 1.0, 1.0], [True, 1.0, 1.0], [1, 1.0, 1.0], [10, "1", 1.0], [10, 2e3, 1.0]],
)
def test_moments_out_of_shape_are_none(plain: object) -> None:
    assert moments_from(plain) is None
    assert moments_from([10, 1, 2.5]) == Moments(10, 1.0, 2.5)
    assert moments_from([10, 1.0, -0.1]) is None
