"""Changes as numbers, courses over several times, ages as numbers."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import statsmodels.formula.api as smf

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.case_table import change_table
from warehouse.questions.changes import compare_changes, course_of_measure
from warehouse.questions.groups import share_over_age
from warehouse.selection import Selection
from warehouse.words.sentences import caution_text


def changes_frame(reader: Reader) -> pl.DataFrame:
    return change_table(
        reader, measure="sn_gogn_deg", span="start_to_finish", selection=Selection(), columns=["extraction", "sex"]
    )


def test_means_and_medians_are_those_of_the_group(reader: Reader) -> None:
    found = compare_changes(reader, Question(by="extraction"))
    frame = changes_frame(reader)
    for group in found.groups:
        part = frame.filter(pl.col("extraction") == group.group)["change"]
        assert group.n == part.len()
        assert group.mean.value == pytest.approx(part.mean())
        assert group.median.value == pytest.approx(part.median())


def test_the_expected_growth_is_taken_off_where_there_is_a_curve(reader: Reader) -> None:
    found = compare_changes(reader, Question(by="extraction"))
    frame = changes_frame(reader)
    expected = (frame["change"] - frame["expected"]).filter(frame["extraction"] == "extraction").mean()
    beyond = next(group for group in found.groups if group.group == "extraction").beyond_growth
    assert beyond.value == pytest.approx(expected)


def test_groups_are_compared_given_the_start_as_statsmodels_does(reader: Reader) -> None:
    found = compare_changes(reader, Question(by="extraction", adjust=("sex",), reference="non-extraction"))
    frame = changes_frame(reader).drop_nulls("sex").to_pandas()
    frame["x"] = (frame["extraction"] == "extraction").astype(float)
    fit = smf.ols("after ~ before + C(sex) + x", frame).fit(cov_type="HC3", use_t=True)
    assert found.covariance is not None
    (difference,) = found.covariance.differences
    assert difference.value == pytest.approx(fit.params["x"])
    assert difference.interval is not None
    assert (difference.interval.low, difference.interval.high) == pytest.approx(tuple(fit.conf_int().loc["x"]))


def test_the_picture_has_deciles_of_every_group(reader: Reader) -> None:
    picture = compare_changes(reader, Question(by="extraction")).picture
    assert picture.group_by("group").len()["len"].to_list() == [9, 9]
    rows = picture.filter(pl.col("group") == "extraction")["value"].to_list()
    frame = changes_frame(reader).filter(pl.col("extraction") == "extraction")["change"]
    assert rows == pytest.approx(list(np.quantile(frame.to_numpy(), np.arange(1, 10) / 10)))


def test_without_groups_all_cases_stand_together(reader: Reader) -> None:
    found = compare_changes(reader, Question())
    assert [group.label for group in found.groups] == ["all cases"]
    assert found.covariance is None
    assert found.standing.n_now == 0


def test_a_measure_without_a_growth_curve_says_so(reader: Reader) -> None:
    found = compare_changes(reader, Question(by="extraction", measure="par_uk_points"))
    assert found.groups[0].beyond_growth.value is None
    assert any("growth curve" in caution_text(caution) for caution in found.cautions)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"measure": "sn_gogn"}, "did you mean sn_gogn_deg"),
        ({"span": "start_to_end"}, "there is no span"),
        ({"by": "appliance_ever"}, "several groups"),
    ],
)
def test_a_wrong_name_is_refused(reader: Reader, wrong: dict[str, str], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        compare_changes(reader, Question(**({"by": "extraction"} | wrong)))  # type: ignore[arg-type]


def test_a_course_uses_every_time_of_treatment(reader: Reader) -> None:
    found = course_of_measure(reader, Question(by="extraction", adjust=()))
    n_values = reader.connection.value(
        "select count(sn_gogn_deg) from mart_timeline where timepoint in ('start', 'progress', 'finish')"
    )
    assert found.model.n_values == n_values
    assert found.reference == "non-extraction"
    assert len(found.model.slopes) == 2
    assert found.after.span == "finish_to_follow_up"


def test_age_as_a_number_is_a_logistic_model(reader: Reader) -> None:
    found = share_over_age(reader, Question()).curve
    frame = reader.connection.frame(
        "select age_at_start as age, case mart_outcomes.status when 'adverse' then 1 else 0 end as y from mart_outcomes"
        " inner join mart_cases using (case_no) where definition_id = 'D1' and step = 'counted'"
    ).to_pandas()
    fit = smf.logit("y ~ age", frame).fit(disp=0)
    assert found.slope.value == pytest.approx(np.exp(fit.params["age"]))
    assert found.n == len(frame)
    assert len(found.ages) == len(found.shares) > 10
