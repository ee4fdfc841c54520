"""Data that cannot answer give sentences, never exceptions."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.commands.options import as_data
from tests.hand_made import load_rows, made_case
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.changes import compare_changes, course_of_measure
from warehouse.questions.characteristics import starting_table
from warehouse.questions.contrast import (
    GROUP,
    OUTCOME,
    TwoGroupFrame,
    compare_all_outcomes,
    compare_pair,
    prepared_pair,
)
from warehouse.questions.crossed import compare_crossed
from warehouse.questions.groups import compare_groups, share_over_age
from warehouse.questions.methods import METHODS
from warehouse.questions.missing import pair_and_missing, shares_and_missing
from warehouse.questions.sample_size import plan_difference, plan_precision
from warehouse.questions.teeth_and_face import teeth_and_face
from warehouse.selection import Selection
from warehouse.words.changes import (
    age_sentence,
    change_sentence,
    corners_sentences,
    course_sentences,
    covariance_sentences,
    missing_pair_sentences,
    missing_sentence,
    outcome_sentences,
)
from warehouse.words.characteristics import table_as_printed
from warehouse.words.contrasts import groups_sentences, pair_sentences, within_sentence
from warehouse.words.sentences import caution_text
from warehouse.words.strobe import strobe_items, strobe_markdown

A, B = "facemask", "fixed_labial"
UP, DOWN = 3.2, -1.0


def case(name: str, appliance: str, plane: float, rise: float | None, **fields: Any) -> dict[str, Any]:
    finish = {} if rise is None else {"sn_gogn_deg_finish": round(plane + rise, 1)}
    return made_case(name, appliance=appliance, sn_gogn_deg_start=plane, incisor_class="I", **finish, **fields)


SITUATIONS: dict[str, list[dict[str, Any]]] = {
    "one case": [case("a", A, 33.0, UP)],
    "one case a group": [case("a", A, 33.0, UP), case("b", B, 33.0, DOWN)],
    "one group only": [case(f"b{i}", B, 30.0 + i, DOWN if i % 2 else UP) for i in range(8)],
    "no adverse case": [case(f"{g}{i}", g, 30.0 + i, DOWN) for g in (A, B) for i in range(6)],
    "every case adverse": [case(f"{g}{i}", g, 30.0 + i, UP) for g in (A, B) for i in range(6)],
    "one group all adverse": [case(f"{g}{i}", g, 30.0 + i, UP if g == A else DOWN) for g in (A, B) for i in range(6)],
    "groups told apart by the face": [
        *(case(f"a{i}", A, 40.0 + i, UP if i % 2 else DOWN) for i in range(6)),
        *(case(f"b{i}", B, 25.0 + i, UP if i % 3 else DOWN) for i in range(6)),
    ],
    "all missing": [case(f"{g}{i}", g, 30.0 + i, None) for g in (A, B) for i in range(5)],
    "all in treatment": [case(f"{g}{i}", g, 30.0, None, status="in_treatment") for g in (A, B) for i in range(4)],
    "nothing recorded beside": [
        made_case(f"{g}{i}", appliance=g, sex="unknown", age_at_start=None, status="moved_away")
        for g in (A, B)
        for i in range(3)
    ],
}  # fmt: skip


@pytest.fixture(scope="module", params=SITUATIONS)
def poor(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    folder: Path = tmp_path_factory.mktemp("poor") / "warehouse"
    load_rows(folder, SITUATIONS[request.param])
    with Reader.open(folder) as reader:
        yield reader


def said(sentences: list[str]) -> None:
    for sentence in sentences:
        assert sentence.strip()
        assert sentence.rstrip()[-1] in ".!?"
        assert "None" not in sentence
        assert "nan" not in sentence.lower().split()


def test_a_pair_is_answered_in_words(poor: Reader) -> None:
    found = compare_pair(poor, Question(by="appliance_category", first=A, second=B))
    said(pair_sentences(found))
    for one in found.methods:
        assert one.difference.value is not None or one.difference.warnings
    as_data(found)


def test_groups_and_crossings_are_answered_in_words(poor: Reader) -> None:
    said(groups_sentences(compare_groups(poor, Question(by="appliance_category"))))
    said(groups_sentences(compare_groups(poor, Question(by="age_band"))))
    crossed = compare_crossed(poor, Question(by="appliance_category", by2="vertical_type"))
    said([within_sentence(crossed, one) for one in crossed.within])
    said([age_sentence(share_over_age(poor, Question()))])


def test_every_outcome_is_answered_in_words(poor: Reader) -> None:
    said(outcome_sentences(compare_all_outcomes(poor, Question(by="appliance_category", first=A, second=B))))


def test_missing_and_corners_are_answered_in_words(poor: Reader) -> None:
    said([missing_sentence(group) for group in shares_and_missing(poor, Question(by="appliance_category")).groups])
    said(missing_pair_sentences(pair_and_missing(poor, Question(by="appliance_category", first=A, second=B))))
    said(corners_sentences(teeth_and_face(poor, Question(by="appliance_category"))))


def test_tables_and_plans_are_answered(poor: Reader) -> None:
    table = table_as_printed(starting_table(poor, Question(by="appliance_category")), poor.labels)
    assert table.columns[-1] == "SMD"
    plan_precision(poor, Question())
    plan_difference(poor, Question(by="appliance_category", first=A, second=B))
    assert "STROBE" in strobe_markdown(strobe_items(poor), build=poor.snapshot.build_id)


def test_an_empty_selection_is_answered_in_words(reader: Reader) -> None:
    nobody = Selection(filters={"practice": ("NOBODY",)})
    said(pair_sentences(compare_pair(reader, Question(by="appliance_category", first=A, second=B, selection=nobody))))
    said(groups_sentences(compare_groups(reader, Question(by="appliance_category", selection=nobody))))
    changes = compare_changes(reader, Question(by="appliance_category", selection=nobody))
    said([change_sentence(changes, group) for group in changes.groups] + covariance_sentences(changes))
    said(course_sentences(course_of_measure(reader, Question(by="appliance_category", selection=nobody))))
    said(
        missing_pair_sentences(
            pair_and_missing(reader, Question(by="sex", first="female", second="male", selection=nobody))
        )
    )
    said([age_sentence(share_over_age(reader, Question(selection=nobody)))])
    assert starting_table(reader, Question(by="sex", selection=nobody)).table.rows == ()


def test_an_empty_group_is_told_in_plain_sentences(tmp_path: Path) -> None:
    load_rows(tmp_path, SITUATIONS["one group only"])
    with Reader.open(tmp_path) as reader:
        found = compare_pair(reader, Question(by="appliance_category", first=A, second=B))
    expected = (
        f"none with {found.labels[0]} was counted; 4 of 8 (50.0%) with {found.labels[1]} went adverse by D1 v2.0.0"
    )
    assert pair_sentences(found)[2] == f"In these cases, {expected}."
    assert found.odds_ratio.value is None
    assert "there is nothing to compare" in caution_text(found.odds_ratio.warnings[0])


cases_strategy = st.lists(
    st.tuples(
        st.sampled_from(["first", "second"]),
        st.sampled_from([True, False, None]),
        st.sampled_from([8.0, 10.5, 11.0, 12.25, 15.0, None]),
        st.sampled_from(["female", "male", None]),
        st.sampled_from(["low", "average", "high", None]),
    ),
    max_size=24,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases_strategy)
def test_every_method_copes_with_any_few_cases(rows: list[tuple[Any, ...]]) -> None:
    schema = {
        GROUP: pl.String, OUTCOME: pl.Boolean, "age at start": pl.Float64, "sex": pl.String,
        "stratum vertical_type": pl.String,
    }  # fmt: skip
    frame = pl.DataFrame(rows, schema=schema, orient="row").with_columns(is_due=pl.lit(value=True))
    cases = TwoGroupFrame(
        frame=frame, labels=("first", "second"), titles=("age at start", "sex"), strata=("vertical_type",), in_both=0
    )
    prepared = prepared_pair(cases, adjust=("age_at_start", "sex"), level=0.95)
    assert prepared.pair.n + sum(prepared.pair.left_out.values()) == frame.height
    for compare in METHODS.values():
        found = compare(prepared)
        if found.difference.value is None:
            assert found.difference.warnings
        else:
            assert -1.0 <= found.difference.value <= 1.0
            interval = found.difference.interval
            assert interval is None or interval.low - 1e-9 <= found.difference.value <= interval.high + 1e-9
