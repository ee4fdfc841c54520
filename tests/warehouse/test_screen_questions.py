"""Questions that screens ask, on hand-written cases whose answers can be worked out by eye."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.hand_made import load_rows, made_case
from warehouse.cases.case_dots import case_dots
from warehouse.cases.case_page import one_case
from warehouse.cases.filter_values import filter_values, relief
from warehouse.disclosure import HIDDEN
from warehouse.errors import RequestError
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.protected.shares import as_shown, published
from warehouse.questions.answer import at_a_glance, firmness
from warehouse.questions.shares import rates
from warehouse.questions.spread import WIDTHS, binned, change_picture
from warehouse.questions.teeth_and_face import corners_of_cases
from warehouse.repeats.error_band import error_band
from warehouse.repeats.repeats import measure_errors, repeats
from warehouse.selection import Selection
from warehouse.store.store import open_store
from warehouse.upkeep.catalogue_report import catalogue_report
from warehouse.upkeep.data_quality import data_quality, load_preview
from warehouse.words.sentences import caution_text

EVERYONE = Selection()


def plane(start: float, finish: float, **fields: object) -> dict[str, object]:
    return {"sn_gogn_deg_start": start, "sn_gogn_deg_finish": finish, **fields}


def made(folder: Path) -> None:
    """Twelve adults, so that no growth is expected: changes 0, 0.5 ... 5.5; then a child observed, and one lost."""
    rows = [
        made_case(
            f"adult-{number}",
            age_at_start=25.0,
            sex=("female", "male")[number % 2],
            extracted_teeth=("none", "14 24")[number % 3 == 0],
            **plane(30.0, 30.0 + number / 2, par_uk_points_start=20.0, par_uk_points_finish=float(2 * number)),
        )
        for number in range(12)
    ]
    rows.append(made_case("watched", appliance=None, comparison="untreated", age_at_start=25.0, **plane(30.0, 33.0)))
    rows.append(made_case("lost", age_at_start=25.0, status="moved_away", sn_gogn_deg_start=30.0))
    load_rows(folder, rows)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("questions") / "cases"
    made(path)
    with open_store(path) as store:
        store.execute(
            "insert into readings by name select * exclude (repeat_no, sn_gogn_deg), 2 as repeat_no,"
            " sn_gogn_deg + case when case_no % 2 = 0 then 0.6 else -0.6 end as sn_gogn_deg from readings"
            " where timepoint = 'start' and replaced_by is null"
        )
        publish(path, store, again=True)
    return path


@pytest.fixture(scope="module")
def reader(folder: Path) -> Iterator[Reader]:
    with Reader.open(folder) as opened:
        yield opened


def test_the_changes_are_binned_at_the_threshold(reader: Reader) -> None:
    picture = change_picture(reader, selection=EVERYONE, definition="D2")
    assert picture is not None
    assert picture.n == 12
    assert picture.n_beyond == 8  # 2.0, 2.5 ... 5.5
    assert picture.quartiles == (1.375, 2.75, 4.125)
    assert any(one.low == 2.0 for one in picture.bins)
    assert sum(one.n_adverse for one in picture.bins) == 8


def test_a_change_within_measuring_error_is_counted_beside_the_adverse(reader: Reader) -> None:
    # repeats differ by 0.6 everywhere: SEM = sqrt(0.36 / 2), MDC95 = 1.96 sqrt(2) SEM = 1.96 x 0.6 = 1.176
    picture = change_picture(reader, selection=EVERYONE, definition="D1")
    assert picture is not None
    assert picture.band.mdc95 == pytest.approx(1.96 * 0.6)
    assert picture.band.n_pairs == 14
    assert picture.n_within_error == 0


def test_a_definition_of_several_parts_has_no_picture(reader: Reader) -> None:
    assert change_picture(reader, selection=EVERYONE, definition="D7") is None
    assert case_dots(reader, selection=EVERYONE, definition="D7") is None


@given(st.lists(st.floats(-40, 40), min_size=1, max_size=60), st.floats(-5, 5))
def test_every_value_is_in_one_bin_and_no_bin_crosses_the_threshold(values: list[float], threshold: float) -> None:
    changes = np.array(values)
    bins = binned(changes, changes >= threshold, threshold=threshold)
    assert sum(one.n_adverse + one.n_not_adverse for one in bins) == len(values)
    assert all(one.high == pytest.approx(other.low) for one, other in pairwise(bins))
    for one in bins:
        assert one.high <= threshold + 1e-6 or one.low >= threshold - 1e-6
        assert min(abs(one.high - one.low - width) for width in (*WIDTHS, round(one.high - one.low))) < 1e-6


def test_measuring_error_comes_from_repeats_else_from_the_catalogue_else_is_not_known(reader: Reader) -> None:
    own = error_band(reader, measure="sn_gogn_deg", selection=EVERYONE)
    assert own.mdc95 == pytest.approx(1.96 * sqrt(2) * sqrt(0.36 / 2))
    assert "14 records read twice" in own.said
    elsewhere = error_band(reader, measure="sn_gogn_deg", selection=Selection(filters={"practice": ("QUARRY",)}))
    assert elsewhere.n_pairs == 0
    assert "stand-in" in elsewhere.said
    unknown = error_band(reader, measure="facial_index_pct", selection=EVERYONE)
    assert (unknown.mdc95, unknown.n_pairs) == (None, 0)


def test_every_counted_case_is_a_dot_with_its_change(reader: Reader) -> None:
    dots = case_dots(reader, selection=EVERYONE, definition="D2")
    assert dots is not None
    assert (dots.n, dots.n_drawn, dots.n_other) == (12, 12, 0)
    assert sorted(dots.frame["beyond"].to_list()) == [number / 2 for number in range(12)]
    assert (dots.frame["after"] - dots.frame["before"]).round(6).to_list() == dots.frame["beyond"].to_list()


@pytest.mark.parametrize("most", range(1, 13))  # of few, the bound on the hash leaves too few now and then
def test_more_cases_than_can_be_seen_are_drawn_by_their_hash(reader: Reader, most: int) -> None:
    few = case_dots(reader, selection=EVERYONE, definition="D2", most=most)
    whole = case_dots(reader, selection=EVERYONE, definition="D2")
    assert few is not None
    assert whole is not None
    assert (few.n, few.n_drawn) == (12, most)
    assert few.frame["case"].to_list() == sorted(whole.frame["case"].to_list())[:most]


def test_one_case_is_shown_only_to_those_who_selected_it(reader: Reader) -> None:
    dots = case_dots(reader, selection=Selection(filters={"sex": ("female",)}), definition="D2")
    assert dots is not None
    case = dots.frame["case"][0]
    shown = one_case(reader, selection=EVERYONE, case=case, measure="sn_gogn_deg")
    assert shown.facts["Sex"] == "female"
    assert shown.course["timepoint"].to_list() == ["start", "finish"]
    assert "nothing to draw" in shown.no_drawing
    with pytest.raises(RequestError, match="among the cases selected"):
        one_case(reader, selection=Selection(filters={"sex": ("male",)}), case=case, measure="sn_gogn_deg")
    with pytest.raises(RequestError):
        one_case(reader, selection=EVERYONE, case="", measure="sn_gogn_deg")


def test_teeth_improve_from_a_fall_of_three_tenths_on(reader: Reader) -> None:
    # scores 20 -> 0, 2 ... 22: improved up to 14 (30 %), that is 8 of 12; adverse (raw change from 2.0) from 8 on
    corners = corners_of_cases(reader, Question(selection=EVERYONE, definition="D2"))
    assert corners is not None
    assert (corners.better_adverse, corners.better_not_adverse) == (4, 4)
    assert (corners.not_better_adverse, corners.not_better_not_adverse) == (4, 0)


def test_the_answer_holds_the_untreated_beside_the_treated(reader: Reader) -> None:
    found = at_a_glance(reader, selection=EVERYONE, definition="D2")
    untreated = firmness(reader, selection=EVERYONE, definition="D2").untreated
    assert found.group.adverse.n == 8
    assert untreated is not None
    assert (untreated.groups[0].adverse.n, untreated.groups[0].counted.n) == (1, 1)
    assert [result.by.name for result in found.by if result.by] == ["appliance_category", "age_band", "extraction"]
    assert found.relief == {}


def test_filters_offer_what_there_is_to_choose(reader: Reader) -> None:
    offered = {one.name: list(one.values) for one in filter_values(reader, selection=EVERYONE)}
    assert offered["sex"] == ["female", "male"]
    assert offered["practice"] == ["HARBOUR"], "a single value is known, though pages offer no choice of it"


def test_an_empty_selection_names_the_filter_to_let_go(reader: Reader) -> None:
    nobody = Selection(filters={"sex": ("female",), "age_band": ("under 8",)})
    assert rates(reader, selection=nobody).groups[0].started.n == 0
    assert relief(reader, selection=nobody) == {"sex": 0, "age_band": 7}


def test_second_readings_give_the_error_of_each_measure_and_examiner(reader: Reader) -> None:
    errors = {one.measure: one.error for one in measure_errors(reader, selection=EVERYONE)}
    assert list(errors) == ["sn_gogn_deg", "par_uk_points"]
    assert errors["sn_gogn_deg"].dahlberg.value == pytest.approx(sqrt(0.36 / 2))
    assert errors["par_uk_points"].dahlberg.value == 0.0
    found = repeats(reader, selection=EVERYONE, measure="sn_gogn_deg")
    assert found.frame.height == 14
    assert list(found.by_examiner) == ["HARBOUR E1"]
    assert found.between == {}
    assert found.agreement.bias.value == pytest.approx(0.0)


def test_another_practice_has_no_second_reading(reader: Reader) -> None:
    elsewhere = Selection(filters={"practice": ("QUARRY",)})
    assert measure_errors(reader, selection=elsewhere) == ()
    assert repeats(reader, selection=elsewhere, measure="sn_gogn_deg").frame.is_empty()


def test_completeness_asks_the_finish_of_finished_cases_only(reader: Reader) -> None:
    found = {(one.field, one.year): one for one in data_quality(reader, selection=EVERYONE).completeness}
    label = "Mandibular plane to cranial base, SN-GoGn"
    assert (found[f"start: {label}", "2021"].n, found[f"start: {label}", "2021"].n_known) == (13, 13)
    assert (found[f"finish: {label}", "2021"].n, found[f"finish: {label}", "2021"].n_known) == (12, 12)
    assert found["clinician", "2021"].n_known == 0


def test_loads_are_told_with_their_counts(reader: Reader) -> None:
    (load,) = data_quality(reader, selection=EVERYONE).loads
    assert (load.n_read, load.n_loaded, load.n_turned_away) == (14, 14, 0)
    assert data_quality(reader, selection=Selection(filters={"practice": ("QUARRY",)})).loads == ()


def test_a_preview_tells_of_the_loads_after_a_given_one(reader: Reader) -> None:
    whole, none = load_preview(reader, after=0), load_preview(reader, after=1)
    assert (whole.n_cases, len(whole.loads)) == (14, 1)
    assert "case_key" not in whole.cases.columns
    assert max(len(case) for case in whole.cases["case"]) == 10
    assert (none.n_cases, none.loads) == (0, ())


def test_what_is_in_force_names_definition_growth_and_build(reader: Reader) -> None:
    found = catalogue_report(reader)
    assert found.headline.id == "D1"
    assert found.build == reader.snapshot.build_id
    ages = found.curves["age"]
    assert (ages.min(), ages.max()) == (4.0, 20.0)


def test_a_protected_share_hides_small_counts_and_says_so(reader: Reader) -> None:
    found = as_shown(published(reader, "extraction"))
    for group in found.groups:
        assert group.favourable == HIDDEN
        assert group.share_favourable is not None
        assert group.net is not None
        assert (group.share_favourable.value, group.net.value) == (None, None)
    raw = {group.group: group for group in rates(reader, by="extraction").groups}
    assert any(1 <= group.adverse.n <= 4 for group in raw.values())
    for group in found.groups:
        if 1 <= raw[group.group].adverse.n <= 4:
            assert group.adverse.value is None
            assert group.rate.value is None
            assert "Withheld" in caution_text(group.rate.warnings[0])
    assert found.notes


@pytest.mark.parametrize(("n_turned", "is_told"), [(0, True), (3, False), (12, True)])
def test_better_over_all_cases_is_a_count_of_the_protected_chain(tmp_path: Path, n_turned: int, is_told: bool) -> None:
    """Of 60 cases 12 went adverse; so many moved as far the other way, told unless they are few."""
    changes = [4.0] * 12 + [-4.0] * n_turned + [0.0] * (48 - n_turned)
    rows = [
        made_case(f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + change) for i, change in enumerate(changes)
    ]
    load_rows(tmp_path, rows)
    with Reader.open(tmp_path) as opened:
        (whole,) = rates(opened).groups
        (group,) = as_shown(published(opened)).groups
    assert whole.favourable is not None
    assert whole.favourable.n == n_turned
    assert group.favourable is not None
    assert group.net is not None
    assert group.favourable.value == (n_turned if is_told else None)
    assert (group.net.value is not None) == (is_told and group.adverse.value is not None)
    assert group.beside.corrected is not None
    assert group.beside.corrected.pairs == 0, "no count of records leaves"


def test_a_grouping_in_which_cases_count_twice_is_not_protected(reader: Reader) -> None:
    with pytest.raises(RequestError, match="no protected table"):
        as_shown(published(reader, "appliance_ever"))
