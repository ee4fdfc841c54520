"""Drift in one practice: order of cases, usual share, signals at a planted change, and words without an answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.hand_made import load_rows, made_case
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.drift import DriftAsked, DriftPicture, drift_picture
from warehouse.selection import Selection
from warehouse.words.drift import drift_sentences
from warehouse.words.sentences import caution_text

QUARTERS = [f"{year}-Q{quarter}" for year in range(2016, 2022) for quarter in range(1, 5)]


def case(name: str, quarter: str, *, adverse: bool, months: float = 24.0, **more: Any) -> dict[str, Any]:
    return made_case(
        name,
        start_quarter=quarter,
        sn_gogn_deg_start=32.0,
        sn_gogn_deg_finish=38.0 if adverse else 32.0,
        months_from_start_start=0.0,
        months_from_start_finish=months,
        **more,
    )


def steady(practice: str, shares: list[float], n: int = 10) -> list[dict[str, Any]]:
    """So many cases a quarter, of which a share is adverse."""
    rng = np.random.default_rng(2)
    found = []
    for quarter, share in zip(QUARTERS, shares, strict=True):
        for i in range(n):
            found.append(case(f"{practice}{quarter}{i}", quarter, adverse=bool(rng.random() < share)))
    return found


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("drift")
    load_rows(folder, steady("S", [0.1] * 24), practice="STEADY")
    load_rows(folder, steady("C", [0.1] * 12 + [0.4] * 12), practice="CHANGED")
    few = [case(f"F{i}", "2019-Q1", adverse=i == 0) for i in range(12)]
    few += [
        case("late", "2021-Q1", adverse=False, status="in_treatment"),
        case("lost", "2019-Q2", adverse=False, status="no_return"),
    ]
    load_rows(folder, few, practice="FEW")
    turned = [case("long", "2018-Q1", adverse=True, months=36.0), case("short", "2018-Q3", adverse=False, months=12.0)]
    load_rows(folder, turned, practice="TURNED")
    with Reader.open(Path(folder)) as opened:
        yield opened


def picture(reader: Reader, practice: str, **asked: Any) -> DriftPicture:
    return drift_picture(
        reader,
        Question(selection=Selection(filters={"practice": (practice,)})),
        asked=DriftAsked(**asked),
    )


def test_a_planted_change_is_signalled_after_it_and_not_before(reader: Reader) -> None:
    found = picture(reader, "CHANGED", in_control=0.1, out_of_control=0.3)
    assert found.path is not None
    assert found.path.signals
    assert found.path.signals[0] > 120  # the change comes with case 121
    assert "Signal" in drift_sentences(found)[0]
    assert "not a verdict" in drift_sentences(found)[0]


def test_the_sum_is_the_one_that_counting_by_hand_gives(reader: Reader) -> None:
    found = picture(reader, "STEADY", in_control=0.1, out_of_control=0.2)
    assert found.path is not None
    value, values = 0.0, []
    for outcome in found.path.outcomes:
        value = max(0.0, value + (np.log(2.0) if outcome else np.log(0.8 / 0.9)))
        values.append(value)
        value = 0.0 if value >= found.path.plan.limit else value
    assert list(found.path.values) == pytest.approx(values, abs=1e-12)


def test_the_simulated_run_length_takes_in_the_computed_one(reader: Reader) -> None:
    found = picture(reader, "STEADY", in_control=0.1, out_of_control=0.2)
    assert found.path is not None
    assert found.simulated_usual is not None
    assert found.path.plan.false_alarm_run_length >= 500
    middle = found.simulated_usual.mean
    spread = found.simulated_usual.interval.high - middle
    assert abs(found.path.plan.false_alarm_run_length - middle) < 2 * spread


def test_the_usual_share_comes_from_the_first_cases_which_are_not_charted(reader: Reader) -> None:
    found = picture(reader, "STEADY", baseline=40)
    assert found.baseline is not None
    assert found.path is not None
    assert (found.baseline.n, found.path.n) == (40, 200)
    first = round(40 * (found.baseline.value or 0))
    assert found.path.plan.in_control == pytest.approx((first + 0.5) / 41)
    assert any("first 40 cases" in caution_text(caution) for caution in found.cautions)


def test_cases_are_in_order_of_finish(reader: Reader) -> None:
    """One started first and took three years; the other started later and finished long before it."""
    found = picture(reader, "TURNED", in_control=0.1)
    assert found.path is not None
    assert found.path.outcomes == (False, True)


def test_too_few_cases_are_said_in_words(reader: Reader) -> None:
    found = picture(reader, "FEW")
    assert found.path is None
    (said,) = drift_sentences(found)
    assert said.startswith("12 cases are counted; 40 are needed")
    assert found.n_not_due == 1
    stated = picture(reader, "FEW", in_control=0.1)
    assert stated.path is not None
    assert stated.path.n == 12
    assert sum(stated.path.left_out.values()) == 1


def test_a_practice_without_cases_gives_words_and_no_error(reader: Reader) -> None:
    found = picture(reader, "NOBODY", in_control=0.1)
    assert found.practice == "NOBODY"
    assert found.path is not None
    assert found.path.n == 0
    assert drift_sentences(found)[0] == "No case has been charted yet."
    assert found.periods.centre is None


def test_reviews_fall_where_they_were_planned(reader: Reader) -> None:
    found = picture(reader, "STEADY", in_control=0.1, review_every=100)
    assert [one.case_number for one in found.reviews] == [100, 200, 300]
    assert [one.reached for one in found.reviews] == [True, True, False]
    assert found.path is not None
    assert found.reviews[1].adverse == sum(found.path.outcomes[:200])
    assert found.reviews[0].expected == pytest.approx(10.0)


def test_periods_are_quarters_where_they_hold_ten_cases_and_years_else(reader: Reader) -> None:
    assert [point.label for point in picture(reader, "STEADY").periods.points] == QUARTERS
    assert [point.label for point in picture(reader, "FEW").periods.points] == ["2019", "2021"]
    assert picture(reader, "STEADY", period="year").periods.points[0].n == 40


@pytest.mark.parametrize(
    "asked", [{"period": "month"}, {"in_control": 0.0}, {"in_control": 0.1, "out_of_control": 0.1}]
)
def test_what_cannot_be_charted_is_refused(reader: Reader, asked: dict[str, Any]) -> None:
    with pytest.raises(RequestError):
        picture(reader, "STEADY", **asked)


def test_several_practices_are_not_charted_together(reader: Reader) -> None:
    with pytest.raises(RequestError, match="4 practices"):
        drift_picture(reader, Question())
