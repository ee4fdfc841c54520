"""Every page opens, says what it is about, and shows the figures of the warehouse."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import pytest

from dashboard.parts import screen
from dashboard.parts.navigation import MAP
from tests.dashboard.conftest import Open, everything_said, saved_files, words_of
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.words.numbers import points
from warehouse.words.shares import beside_entries, headline, other_way_sentence

PAGES = {
    "answer": "What happened",
    "behind": "What is behind it",
    "comparisons": "Do groups differ?",
    "two": "Two selections",
    "cases": "Case by case",
    "practices": "How practices compare",
    "drift": "Is it drifting?",
    "readings": "How exact are the readings?",
    "data": "How complete are the data?",
    "methods": "How it is counted",
    "take_along": "Take along",
    "bring_in": "Bring in a file",
    "take_back": "Take back",
    "worklist": "What is left to do",
    "present": "The answer",
    "guide": "Start here",
    "plans": "Plans and definitions",
    "group": "Study group",
    "upkeep": "Keep it safe",
}


@pytest.mark.parametrize(("page", "title"), PAGES.items())
def test_a_page_opens_with_its_title_and_without_a_fault(opened: Open, page: str, title: str) -> None:
    app = opened(page)
    assert not app.exception
    assert not app.error
    assert not app.warning
    assert [one.value for one in app.title] == [title]


def test_no_two_pages_have_one_title() -> None:
    titles = [entry.title for entries in MAP.values() for entry in entries]
    assert len(set(titles)) == len(titles) == len(PAGES)


CAUTIONS = {
    "answer": "not a diagnosis and not advice on treatment",
    "methods": "not a diagnosis and not advice on treatment",
    "comparisons": "an association, not proof of a cause",
    "two": "an association, not proof of a cause",
    "practices": "Naming a practice needs its agreement",
    "data": "Take no radiograph for an audit",
    "bring_in": "Take no radiograph for an audit",
    "worklist": "Take no radiograph for an audit",
    "guide": "not a diagnosis and not advice on treatment",
    "plans": "not a diagnosis and not advice on treatment",
    "group": "Naming a practice needs its agreement",
    "take_along": "the approval of an ethics committee",
}
"""Page -> the caution that belongs there."""


@pytest.mark.parametrize("page", PAGES)
def test_a_caution_stands_where_it_belongs_and_only_there(opened: Open, page: str) -> None:
    told = everything_said(opened(page))
    assert CAUTIONS.get(page, "") in told
    others = set(CAUTIONS.values()) - {CAUTIONS.get(page, "")}
    if page not in {"answer", "methods", "present", "guide", "plans"}:
        assert not [caution for caution in others if caution in told]


def test_the_answer_is_that_of_the_warehouse(opened: Open, reader: Reader) -> None:
    result = rates(reader)
    expected = headline(result)
    assert re.match(r"Of the \d+ cases counted, \d+ went adverse", expected)
    beside = other_way_sentence(result.groups[0])
    assert re.match(r"Against that, \d+ moved as far the other way: .* Net, .* percentage points", beside)
    said = everything_said(opened())
    assert expected in said
    assert "Better: moved as far the other way" in said
    assert beside in everything_said(opened("behind"))


def test_a_choice_in_the_address_narrows_the_answer(opened: Open, reader: Reader) -> None:
    narrowed = headline(rates(reader, selection=Selection(filters={"sex": ("female",), "practice": ("QUARRY",)})))
    assert narrowed != headline(rates(reader))
    assert narrowed in everything_said(opened(sex="female", practice="QUARRY"))


def test_a_choice_made_by_hand_goes_into_the_address(opened: Open) -> None:
    app = opened(fresh=True)
    app.multiselect(key="age_band").select("10 to 11 years").run()
    assert app.multiselect(key="age_band").value == ["10-11"]
    assert "age band: 10-11" in everything_said(app)


def test_another_definition_can_be_asked_for_in_the_address(opened: Open, reader: Reader) -> None:
    app = opened(def_="D2")
    assert headline(rates(reader, definition="D2")) in everything_said(app)


@pytest.mark.parametrize("asked", [{"sex": "no such sex"}, {"def_": "D99"}, {"practice": "NOWHERE"}, {"sexx": "male"}])
@pytest.mark.parametrize("page", ["answer", "behind", "cases", "present"])
def test_an_address_that_names_nothing_is_refused_and_shows_no_figure(
    opened: Open, reader: Reader, page: str, asked: dict[str, str]
) -> None:
    app = opened(page, **asked)
    (refusal,) = app.warning
    assert "the address of this page asks for" in refusal.value.casefold()
    assert "Take it out of the address" in refusal.value
    assert headline(rates(reader)) not in everything_said(app)
    assert not app.exception


def test_a_mark_takes_a_choice_off_and_one_takes_all_off(opened: Open, reader: Reader) -> None:
    app = opened(fresh=True, sex="female", practice="QUARRY")
    assert [one.label for one in app.button] == ["Practice: QUARRY ✕", "Sex: female ✕", "Take all off"]
    next(one for one in app.button if one.label.startswith("Sex")).click().run()
    assert headline(rates(reader, selection=Selection(filters={"practice": ("QUARRY",)}))) in everything_said(app)
    assert "sex" not in app.query_params
    app.multiselect(key="sex").select("male").run()
    next(one for one in app.button if one.label == "Take all off").click().run()
    assert headline(rates(reader)) in everything_said(app)
    assert not app.query_params


def test_an_empty_selection_says_which_choice_to_let_go(opened: Open) -> None:
    app = opened(sex="male", extraction="extraction")
    said = everything_said(app)
    assert "No case is left under these choices." in said
    assert "Without the choice of sex there would be" in said
    assert not app.exception


@pytest.mark.parametrize("page", ["comparisons", "cases", "present"])
def test_an_empty_selection_is_explained_on_every_page_of_figures(opened: Open, page: str) -> None:
    app = opened(page, sex="male", extraction="extraction")
    assert "No case is left under these choices." in everything_said(app)
    assert not app.exception


def test_a_small_selection_carries_its_warning(opened: Open) -> None:
    app = opened(appliance="fixed_labial", age_band="8-9", sex="male", practice="QUARRY")
    assert re.search(r"Only \d cases?", everything_said(app))


def test_two_groupings_are_crossed(opened: Open) -> None:
    app = opened("comparisons", by="extraction", and_="sex")
    assert not app.exception
    assert "Extraction status and sex together." in everything_said(app)


def test_crude_stands_beside_adjusted(opened: Open) -> None:
    said = everything_said(opened("comparisons", by="extraction"))
    assert "crude" in said
    assert "overlap-weighted" in said
    assert "Not recorded at all:" in said


def test_what_stands_beside_the_shares_of_groups_is_worked_out_when_it_is_opened(opened: Open, reader: Reader) -> None:
    title = "Beside the shares, with 95% intervals"
    app = opened("comparisons", fresh=True)
    tables = [one.proto.alt for one in app.get("arrow_table")] + [one.proto.alt for one in app.table]
    assert "The figures as a table" in tables
    assert title not in tables
    app.session_state["fold-appliance_category-beside.csv"] = True
    (table,) = [one for one in app.run().table if one.proto.alt == title]
    expected = [(group.label, *beside_entries(group)) for group in rates(reader, by="appliance_category").groups]
    assert [tuple(row) for row in table.value.itertuples(index=False)] == expected


def test_a_case_chosen_shows_its_course_and_its_points(opened: Open, reader: Reader) -> None:
    case = reader.connection.value("select substring(case_key, 1, 10) from mart_cases where case_no = 1")
    app = opened("cases", fresh=True, practice="HARBOUR")
    app.selectbox(key="case").set_value(case).run()
    said = everything_said(app)
    assert f"Points of case {case}" in said
    assert f"Facts of case {case}" in said
    assert not app.exception


def test_a_link_opens_a_case_and_a_choice_of_case_goes_into_the_address(opened: Open, reader: Reader) -> None:
    case = reader.connection.value("select substring(case_key, 1, 10) from mart_cases where case_no = 1")
    app = opened("cases", fresh=True, case=case)
    assert f"Facts of case {case}" in everything_said(app)
    other = next(one for one in app.selectbox(key="case").options if one[:10] not in {case, "choose a c"})[:10]
    app.selectbox(key="case").set_value(other).run()
    assert app.query_params["case"] in (other, [other])
    (refusal,) = opened("cases", case="no such case").warning
    assert "there is no such case here" in refusal.value


def test_counts_open_their_cases(opened: Open, reader: Reader) -> None:
    (whole,) = rates(reader).groups
    assert f"Open the {whole.adverse.n} adverse cases" in everything_said(opened())
    first, *_ = rates(reader, by="appliance_category").groups
    compared = everything_said(opened("comparisons"))
    assert f"{first.label}: {first.adverse.n} adverse of {first.counted.n}" in compared
    shown = everything_said(opened("cases", appliance=first.group, class_="adverse"))
    assert f"Each dot is one of {first.adverse.n} cases" in shown


def test_hand_picked_cases_get_no_large_figure_and_say_first_what_they_are(opened: Open) -> None:
    said = everything_said(opened(cases="both"))
    assert "They are no sample" in said
    assert "menton-said" not in said
    assert "Better: moved as far the other way" not in said
    assert "menton-said" in everything_said(opened())


def test_two_practices_stand_beside_each_other_with_their_difference(opened: Open, reader: Reader) -> None:
    app = opened("two", fresh=True, practice="HARBOUR")
    next(one for one in app.button if one.label == "Set these on the left").click().run()
    app.multiselect(key="practice").set_value(["QUARRY"]).run()
    said = everything_said(app)
    sides = [Selection(filters={"practice": (name,)}) for name in ("HARBOUR", "QUARRY")]
    left, right = (rates(reader, selection=one) for one in sides)
    assert headline(left) in said
    assert headline(right) in said
    (x1, n1), (x2, n2) = ((one.groups[0].adverse.n, one.groups[0].counted.n) for one in (left, right))
    assert f"Share on the right minus share on the left: {points(x2 / n2 - x1 / n1)} percentage points" in said
    next(one for one in app.button if one.label == "Choose the left anew").click().run()
    assert "beside" not in app.query_params


def test_selections_that_share_cases_get_no_difference(opened: Open, reader: Reader) -> None:
    women = rates(reader, selection=Selection(filters={"sex": ("female",)})).groups[0].started.n
    said = everything_said(opened("two", beside="sex=female"))
    assert f"{women} cases are in both selections" in said
    assert "Share on the right minus" not in said
    changed = everything_said(opened("two", beside="def=D2"))
    assert "Two definitions count different things" in changed


@pytest.mark.parametrize("beside", ["sex=no+such+sex", "def=D99", "colour=red"])
def test_a_left_side_that_names_nothing_is_refused(opened: Open, reader: Reader, beside: str) -> None:
    app = opened("two", beside=beside)
    assert "there is no such" in app.warning[0].value
    assert headline(rates(reader)) not in everything_said(app)


def test_presenting_turns_over_one_message_a_screen(opened: Open) -> None:
    app = opened("present", fresh=True)
    assert "1 of" in everything_said(app)
    next(one for one in app.button if one.label == "Next").click().run()
    assert [one.value for one in app.title] == ["Who was counted"]
    assert app.query_params["message"] in ("2", ["2"])


@pytest.mark.parametrize("message", ["0", "x", "999", "-1"])
def test_a_message_that_does_not_exist_is_not_a_fault(opened: Open, message: str) -> None:
    app = opened("present", message=message)
    assert not app.exception
    assert not app.error


def test_what_was_turned_away_is_told_with_its_reason(opened: Open) -> None:
    said = everything_said(opened("data"))
    assert "The finish lies before the start." in said
    assert "Correct it." in said


def test_second_readings_are_told_examiner_by_examiner(opened: Open) -> None:
    said = everything_said(opened("readings"))
    assert "HARBOUR E1" in said
    assert "QUARRY E1 and QUARRY E2" in said


def test_a_table_taken_along_carries_what_it_rests_on_and_acts_as_no_formula(
    opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = saved_files(opened, monkeypatch, "comparisons")
    (row, *_) = csv.DictReader(io.TextIOWrapper(io.BytesIO(kept["appliance_category.csv"]), encoding="utf-8"))
    assert row["title"] == "The figures as a table"
    assert row["definition"].startswith("D1 v2.0.0: ")
    assert row["cases"] == "treated consecutive cases"
    assert row["build"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", row["saved"])
    assert "do not hand this on" in row["made_for"]
    assert "not a diagnosis" in row["caution"]


@pytest.mark.parametrize("page", ["answer", "behind", "comparisons", "cases", "practices", "drift", "two"])
def test_a_picture_taken_along_carries_what_it_shows_and_rests_on(
    opened: Open, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    address = {"two": {"beside": "def=D2"}, "practices": {"of": "Lantern Bay, result 1 of 2026-02-01"}}
    kept = saved_files(opened, monkeypatch, page, **address.get(page, {}))
    said = words_of(kept["menton-picture.svg"])
    assert re.search(r"D\d v\d\.0\.0", said)
    assert re.search(r"Saved on \d{4}-\d\d-\d\d\.", said)
    assert re.search(r"\d of \d|n = \d|\d+ cases|: \d+", said), "how many"
    assert "not a diagnosis" in said
    assert "do not hand this on" in said
    assert kept["menton-picture.png"][:8] == b"\x89PNG\r\n\x1a\n"


def test_nothing_a_chart_brings_along_itself_can_be_saved() -> None:
    """Vega's own menu and the toolbar over charts would save a picture without a word of what it rests on."""
    style = (Path(screen.__file__).parent / "screen.css").read_text(encoding="utf-8")
    (rule,) = [one for one in style.split("}") if ".vega-embed details" in one]
    assert "stElementToolbar" in rule
    assert "display: none" in rule
