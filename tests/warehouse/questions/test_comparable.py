"""What is judged before an adjusted figure, comparisons within practices, and an answer that is read in a minute."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipelines.cli import main
from tests.hand_made import load_rows, made_case, reader_of
from tests.warehouse.questions.planning import PLAN
from warehouse.errors import DefinitionError, RequestError
from warehouse.marts.reader import Reader
from warehouse.outcomes.registry import shipped_registry
from warehouse.plans.plan import plan_body, plan_from_body
from warehouse.plans.question import Question
from warehouse.questions.contrast import KnownAt, PairComparison, compare_pair
from warehouse.questions.missing import pair_and_missing
from warehouse.questions.plan_file import parse_plan
from warehouse.words.changes import missing_pair_sentences
from warehouse.words.contrasts import brief_sentences, pair_sentence, within_units_sentence

A, B = "expander_tooth_borne", "fixed_labial"
LIKING = {"HARBOUR": (0.8, 0.35), "QUARRY": (0.7, 0.3), "FERRY": (0.3, 0.1), "LIGHT": (0.2, 0.05), "MILL": (0.5, 0.2)}
"""Practice -> its chance of an expander and its share adverse: the expander itself does nothing."""


def cases_of(practice: str, n: int, *, classes: bool = False) -> list[dict[str, Any]]:
    """Cases of a practice; with ``classes`` the appliance follows the incisor class and age without exception."""
    rng = np.random.default_rng(sum(map(ord, practice)))
    chance, share = LIKING[practice]
    made = []
    for number in range(n):
        first, age = rng.random() < chance, float(rng.uniform(9, 14))
        kind = ("III" if first else "I") if classes else str(rng.choice(["I", "II/1"]))
        plane = round(float(rng.normal(33, 4)), 1)
        made.append(
            made_case(
                f"{practice}{number}",
                appliance=A if first else B,
                sex=str(rng.choice(["female", "male"])),
                incisor_class=kind,
                age_at_start=round(age - 5.0 if classes and first else age, 2),
                sn_gogn_deg_start=plane,
                sn_gogn_deg_finish=round(plane + (4.0 if rng.random() < share else 0.2), 1),
            )
        )
    return made


@pytest.fixture(scope="module")
def five(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    folder = tmp_path_factory.mktemp("five") / "warehouse"
    for practice in LIKING:
        load_rows(folder, cases_of(practice, 60), practice=practice, source=f"{practice}.csv")
    with Reader.open(folder) as reader:
        yield reader


@pytest.fixture(scope="module")
def apart(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("apart") / "warehouse"
    load_rows(folder, cases_of("MILL", 120, classes=True))
    return folder


def asked(reader: Reader, **more: Any) -> PairComparison:
    return compare_pair(reader, Question(by="appliance_category", first=A, second=B, **more))


def test_groups_that_never_meet_get_no_adjusted_figure_and_hear_what_would_help(apart: Path) -> None:
    with Reader.open(apart) as reader:
        found = asked(reader)
    assert found.comparability.grade == "none"
    assert found.comparability.without_counterpart == pytest.approx(1.0)
    for one in found.methods:
        assert (one.difference.value is None) == (one.method != "crude")
        assert one.p_value is None
    assert found.odds_ratio.value is None
    assert found.e_value.estimate is None
    said = pair_sentence(found)
    assert "no adjusted comparison, for 100% of the cases have no counterpart" in said
    assert "What would help: groups between which the same children could go" in said


def test_the_limits_are_the_plans_and_keep_old_plans_as_they_were(five: Reader) -> None:
    definitions = shipped_registry()
    plain = parse_plan(PLAN, where="plan", definitions=definitions)
    assert {"limits", "within"}.isdisjoint(plan_body(plain))
    strict = parse_plan(PLAN + "[limits]\neffective = [400, 300]\n", where="plan", definitions=definitions)
    assert strict.limits.effective == (400.0, 300.0)
    assert plan_from_body(plan_body(strict)) == strict
    assert strict.sha256 != plain.sha256
    for wrong in ("effective = [5, 20]", "overlap = [1, 2]", 'events = "5"'):
        with pytest.raises(DefinitionError, match="limits"):
            parse_plan(PLAN + f"[limits]\n{wrong}\n", where="plan", definitions=definitions)


def test_with_several_practices_like_is_compared_with_like_and_the_difference_it_makes_is_said(five: Reader) -> None:
    within, across = asked(five), asked(five, within="none")
    assert (within.within.title, within.within.n, within.within.is_clustered) == ("practice", 5, True)
    assert "practice" in within.answer.adjusted_for
    assert within.within.across is not None
    assert within.within.across.value == across.answer.difference.value
    one, two = within.answer.difference, across.answer.difference
    assert one.value is not None
    assert two.value is not None
    assert one.interval is not None
    assert two.interval is not None
    # nothing was planted but practices that like expanders and have more adverse cases
    assert two.interval.low > 0.0
    assert 0.0 in one.interval
    assert abs(one.value) < two.value
    assert within_units_sentence(within).startswith("Within 5 practices, with an interval for others like them")
    assert within_units_sentence(across) == ""


def test_errors_that_do_not_know_practices_give_no_interval(five: Reader) -> None:
    found = asked(five)
    for name in ("stratified", "standardised"):
        assert found.method(name).difference.interval is None
        assert found.method(name).p_value is None
    assert found.method("overlap").difference.interval is not None


def test_cases_of_a_practice_with_one_group_only_are_left_out_and_counted(five: Reader) -> None:
    found = asked(five)
    assert sum(found.started) == found.n + sum(found.left_out.values())


def test_groups_made_by_practice_are_not_compared_within_practices(five: Reader) -> None:
    found = compare_pair(five, Question(by="practice", first="HARBOUR", second="LIGHT"))
    assert found.within.title == ""


def test_between_good_and_none_the_caution_comes_first(reader: Reader) -> None:
    few = Question(by="appliance_category", first="functional_removable", second=B, adjust=("sex",))
    found = compare_pair(reader, few)
    assert found.comparability.grade == "caution"
    assert pair_sentence(found).startswith("With caution, for ")


@pytest.mark.parametrize("more", [(), ("--adjust", "sex"), ("--within", "none")])
def test_an_answer_is_read_in_a_minute(
    built: Path, apart: Path, more: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    for folder in (built, apart):
        main(["compare", "--warehouse", str(folder), "--a", A, "--b", B, *more])
        out = capsys.readouterr().out
        assert 40 < len(out.split()) <= 120
        assert "D1 v" in out
        assert "build" in out


def test_the_minute_holds_the_answer_and_three_facts(five: Reader) -> None:
    said = brief_sentences(asked(five))
    assert len(said) == 5
    assert said[-1].startswith("Not planned beforehand; comparison ")


def test_treated_children_are_compared_with_untreated_ones_in_the_same_frame(tmp_path: Path) -> None:
    treated = cases_of("MILL", 60)
    observed = [
        {**one, "case_id": one["case_id"][::-1], "appliance": None, "comparison": "untreated"}
        for one in cases_of("MILL", 40)
    ]
    load_rows(tmp_path / "w", [*treated, *observed])
    with Reader.open(tmp_path / "w") as reader:
        found = compare_pair(reader, Question(by="appliance_category", first=A, second="untreated"))
    assert found.assessed == (sum(one["appliance"] == A for one in treated), 40)
    assert found.answer.adjusted_for == found.adjusted_for
    assert found.answer.difference.value is not None
    assert "treated_against_untreated" in {one.code for one in found.cautions}


def test_groups_observed_for_unequal_times_are_compared_per_year(tmp_path: Path) -> None:
    rows = [
        {**one, "months_from_start_finish": 12.0 if one["appliance"] == A else 30.0} for one in cases_of("MILL", 80)
    ]
    load_rows(tmp_path / "w", rows)
    with Reader.open(tmp_path / "w") as reader:
        found = asked(reader)
    assert found.observed == (12.0, 30.0)
    crude = found.method("crude").ratio.value
    assert found.per_year is not None
    assert found.per_year.value == pytest.approx((crude or 0.0) * 2.5)
    assert any("adverse per year observed, ratio" in one for one in brief_sentences(found))


def two_phases(number: int, *, begins: float | None, finish: float, appliance: str = A) -> dict[str, Any]:
    listed = [appliance] if begins == 0.0 else [appliance, "fixed_labial"]
    readings = {"sn_gogn_deg_start": 33.0, "sn_gogn_deg_finish": 36.5 if number % 3 else 33.0}
    return made_case(
        f"phases{number}", appliance=listed, phases_begin={2: begins}, months_from_start_finish=finish, **readings
    )  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def in_phases(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    """By 12 months: 20 with a second phase, 15 that got theirs later, 12 without one; 5 and 2 had ended; 4 undated."""
    plan = [(8.0, 24.0, 20), (18.0, 30.0, 15), (0.0, 20.0, 12), (0.0, 9.0, 5), (6.0, 11.0, 2), (None, 24.0, 4)]
    listed = [(begins, finish) for begins, finish, n in plan for _ in range(n)]
    rows = [two_phases(number, begins=begins, finish=finish) for number, (begins, finish) in enumerate(listed)]
    yield (reader := reader_of(tmp_path_factory.mktemp("phases") / "w", rows))
    reader.close()


def test_groups_at_a_landmark_time_are_those_known_then_and_who_had_ended_is_left_out(in_phases: Reader) -> None:
    asked_for = {"by": "appliance_group", "first": "two_phase", "second": A, "adjust": ()}
    became = compare_pair(in_phases, Question(**asked_for))  # type: ignore[arg-type]
    known = compare_pair(in_phases, Question(**asked_for, landmark=12.0))  # type: ignore[arg-type]
    assert (became.assessed, became.landmark) == ((41, 17), None)
    assert known.assessed == (20, 27)  # who came to a second phase after the landmark time is with the others
    assert known.landmark == KnownAt(months=12.0, ended=(2, 5), undated=4)
    assert sum(known.started) == known.n + sum(known.left_out.values()) == 54
    assert known.left_out["ended before the landmark time"] == 7
    assert {one.code for one in became.cautions} - {one.code for one in known.cautions} == {"grouping_decided_later"}
    said = " ".join(brief_sentences(known))
    assert "as known 12 months after the start; left out: 7 cases that ended before, 4 cases without the date" in said
    assert "settled during treatment" in " ".join(brief_sentences(became))
    ever = Question(by="appliance_ever", first="fixed_labial", second=A, adjust=(), landmark=12.0)
    assert compare_pair(in_phases, ever).in_both == 20 + 2 + 4  # both appliances by then; the undated as they became
    assert became.question.comparison != known.question.comparison


@pytest.mark.parametrize(
    ("by", "second", "months"),
    [("extraction", "non-extraction", 12.0), ("sex", "male", 12.0), ("appliance_group", A, 0.0)],
)
def test_a_landmark_time_without_dates_is_refused(by: str, second: str, months: float) -> None:
    with pytest.raises(RequestError, match="cannot be taken as known after"):
        Question(by=by, first="two_phase", second=second, landmark=months)


def test_missing_outcomes_are_imputed_from_the_progress_record_where_there_is_one(tmp_path: Path) -> None:
    rows = []
    for number, one in enumerate(cases_of("MILL", 120)):
        change = one["sn_gogn_deg_finish"] - one["sn_gogn_deg_start"]
        on_the_way = {"sn_gogn_deg_progress": one["sn_gogn_deg_start"] + change / 2.0} if number % 4 else {}
        lost = {"status": "moved_away", "sn_gogn_deg_finish": None} if number % 5 == 0 else {}
        rows.append({**{k: v for k, v in (one | on_the_way | lost).items() if v is not None}})
    load_rows(tmp_path / "w", rows)
    with Reader.open(tmp_path / "w") as reader:
        found = pair_and_missing(reader, Question(by="appliance_category", first=A, second=B, adjust=()))
    assert sum(found.missing) == 24
    assert found.imputed.on_the_way == 18
    assert "the same change by the progress record in the 18 that have one" in " ".join(missing_pair_sentences(found))


def test_what_would_help_is_said_once(apart: Path) -> None:
    with Reader.open(apart) as reader:
        said = pair_sentence(asked(reader))
    (helps,) = re.findall(r"What would help: (.*)\.", said)
    assert len(set(helps.split("; "))) == len(helps.split("; "))
