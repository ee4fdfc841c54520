"""Practices beside each other and one practice over time: who sees whom, what is hidden, and what is said in words."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.charts.drift import cusum_chart, cusum_frame, periods_chart, periods_frame
from dashboard.charts.funnel import funnel_figure
from dashboard.charts.intervals import CLOSE_ROW, forest_figure, means_figure
from tests.dashboard.conftest import Open, cases, everything_said
from tests.hand_made import load_rows
from tests.study_group import group_result
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.pooled.kept_results import Kept, kept_path, kept_text
from warehouse.pooled.result import SharePool
from warehouse.pooled.shares import tag_of
from warehouse.pooled.this_warehouse import practices_here
from warehouse.questions.drift import DriftAsked, drift_picture
from warehouse.selection import Selection
from warehouse.words.drift import drift_sentences
from warehouse.words.pooled import mean_sentence, note_text, place_sentence, pooled_sentence, spread_sentence

GROUP = group_result(12, 3, 9, 20, 15, 11)
SHARES = GROUP.shares[0]
MINE = tag_of("P-001", "salt")
NAMES = ("HARBOUR", "QUARRY", "FERRY", "MILL")


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse of four practices that has also read the result of a group: FERRY is its practice 1."""
    made = tmp_path_factory.mktemp("crowd") / "cases"
    for number, name in enumerate(NAMES):
        rows = cases(name, 70 - 10 * number, seed=20 + number, excess=(0.4, 0.9, -0.6, 1.5)[number])
        load_rows(made, rows, practice=name, source=f"{name.lower()}.csv")
    path = kept_path(made, GROUP.group)
    path.parent.mkdir()
    path.write_text(kept_text(Kept(GROUP, {"FERRY": MINE})))
    return made


@pytest.fixture
def of_crowd(crowd: Path, opened: Open, monkeypatch: pytest.MonkeyPatch) -> Open:
    monkeypatch.setenv("MENTON_WAREHOUSE", str(crowd))

    def opening(page: str = "practices", **address: str) -> object:
        return opened(page, fresh=True, **address)

    return opening


OF_GROUP = "Lantern Bay, result 1 of 2026-02-01"


def test_the_practices_of_a_warehouse_stand_by_size_and_without_a_name(of_crowd: Open, crowd: Path) -> None:
    with Reader.open(crowd) as reader:
        here = practices_here(reader)
    sizes = [line.n for line in here.pool.lines]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) == 4
    app = of_crowd()
    said = everything_said(app)
    assert pooled_sentence(here.pool) in said
    main = "\n".join(str(element.proto) for element in app.main)
    assert not any(name in main for name in NAMES)
    assert not any(line.tag in said for line in here.pool.lines)


def test_a_hidden_count_is_nowhere_in_what_is_sent(of_crowd: Open, crowd: Path) -> None:
    with Reader.open(crowd) as reader:
        pool = practices_here(reader).pool
    hidden = [one for one in pool.lines if one.share is None]
    assert hidden, "one practice must have few adverse cases for this to mean anything"
    frame = forest_figure(pool).frame
    row = frame.row(pool.lines.index(hidden[0]), named=True)
    assert (row["value"], row["low"], row["drawn"]) == (None, None, None)
    assert row["counts"].startswith(("fewer than 5 of", "withheld of"))
    assert hidden[0].label not in funnel_figure(pool).frame["name"].to_list()
    assert "fewer than 5 of" in everything_said(of_crowd())


def test_the_mean_change_over_practices_stands_below_their_shares(of_crowd: Open, crowd: Path) -> None:
    with Reader.open(crowd) as reader:
        here = practices_here(reader)
        rows = reader.connection.rows(
            "select practice, count(*), round(avg(mart_outcomes.value), 2) from mart_outcomes join mart_cases using"
            " (case_no) where definition_id = 'D1' and mart_outcomes.value is not null and comparison = 'treated'"
            " and selection = 'consecutive' group by practice"
        )
    assert here.means is not None
    means = {practice: (n, mean) for practice, n, mean in rows}
    tags = {tag: practice for practice, tag in here.tags.items()}
    assert {tags[line.tag] for line in here.means.lines} == set(NAMES)
    for line in here.means.lines:
        assert (line.n, line.mean) == pytest.approx(means[tags[line.tag]])
    assert [line.label for line in here.means.lines] == [line.label for line in here.pool.lines]
    said = everything_said(of_crowd())
    assert mean_sentence(here.means) in said
    assert "The same means as a table" in said
    assert not any(line.tag in said for line in here.means.lines)


def test_a_practice_sees_its_own_mean_marked_and_no_other_named(
    of_crowd: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:MILL")
    app = of_crowd()
    (row,) = [line for line in means_rows(app) if "yours" in line]
    assert row.startswith("practice 4, yours")
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    assert not [line for line in means_rows(of_crowd()) if "yours" in line]


def means_rows(app: AppTest) -> list[str]:
    """Names in the table of means."""
    (found,) = [one.value for one in app.table if any("mean change" in name for name in one.value.columns)]
    return [str(name) for name in found["practice"]]


@pytest.fixture(scope="module")
def uneven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four practices of some size, and one of six cases."""
    made = tmp_path_factory.mktemp("uneven") / "cases"
    for number, (name, n) in enumerate({**dict.fromkeys(NAMES, 40), "ORCHARD": 3}.items()):
        load_rows(made, cases(name, n + number, seed=40 + number, excess=1.2), practice=name, source=f"{name}.csv")
    return made


def test_means_of_small_practices_are_left_out_and_cannot_be_worked_out(uneven: Path) -> None:
    with Reader.open(uneven) as reader:
        here = practices_here(reader)
    assert here.means is not None
    shown = {line.tag for line in here.means.lines}
    out = [practice for practice, tag in here.tags.items() if tag not in shown]
    assert "ORCHARD" in out
    assert len(out) >= 3, "of two left out each could take its own mean from the sum of both"
    said = " ".join([here.means.refused, *map(note_text, here.means.notes)])
    assert "nobody may work out one from the others" in said or "3 practices" in said


def test_an_owner_may_have_a_practice_marked(of_crowd: Open) -> None:
    assert "Your practice: " not in everything_said(of_crowd())
    assert "Your practice: " in everything_said(of_crowd(mark="MILL"))


def test_a_practice_sees_its_own_line_marked_and_is_asked_for_no_other(
    of_crowd: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:MILL")
    app = of_crowd(mark="HARBOUR")
    said = everything_said(app)
    assert "Your practice: " in said
    assert not any(name in said for name in NAMES if name != "MILL")


def test_a_result_of_the_group_marks_the_practice_that_gave_and_no_other(
    of_crowd: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:FERRY")
    said = everything_said(of_crowd(of=OF_GROUP))
    assert pooled_sentence(SHARES) in said
    assert "Your practice: fewer than 5 of 94" in said
    monkeypatch.setenv("MENTON_VIEWER", "practice:MILL")
    said = everything_said(of_crowd(of=OF_GROUP))
    assert pooled_sentence(SHARES) in said
    assert "Your practice" not in said
    assert MINE not in said


def test_presenting_shows_practices_unnamed_and_only_as_they_are_counted(of_crowd: Open, crowd: Path) -> None:
    with Reader.open(crowd) as reader:
        sentence = pooled_sentence(practices_here(reader).pool)
    messages = [everything_said(of_crowd("present", message=str(number))) for number in range(7, 11)]
    (found,) = [one for one in messages if sentence in one]
    assert "this is no ranking" in found
    narrowed = [everything_said(of_crowd("present", message=str(number), sex="female")) for number in range(7, 11)]
    assert not any(sentence in one for one in narrowed)


def test_a_group_is_shown_by_variable_with_its_cautions(of_crowd: Open) -> None:
    said = everything_said(of_crowd(of=OF_GROUP))
    assert "Extraction status, over all practices" in said
    assert "risk ratio" in said
    assert "Nothing here is a ranking" in said
    assert mean_sentence(GROUP.means[0]) in said


def test_of_a_group_alone_there_is_a_page_without_any_case(
    opened: Open, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = kept_path(tmp_path, GROUP.group)
    path.parent.mkdir()
    path.write_text(kept_text(Kept(GROUP, {})))
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path))
    app = opened("practices", fresh=True)
    assert pooled_sentence(SHARES) in everything_said(app)
    assert not app.warning


def test_with_two_practices_there_is_a_sentence_and_no_picture(opened: Open) -> None:
    said = everything_said(opened("practices"))
    assert "Pooled figures need at least 3 practices; 2 can be used." in said
    assert "vega" not in said


def test_a_changed_result_is_not_shown(opened: Open, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = kept_path(tmp_path, GROUP.group)
    path.parent.mkdir()
    path.write_text(kept_text(Kept(GROUP, {})).replace('"practices"', '"practises"'))
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path))
    app = opened("practices", fresh=True)
    assert "changed since it was kept" in app.warning[0].value


def test_pictures_are_valid_and_tell_the_finding() -> None:
    means = means_figure(GROUP.means[0], mine=MINE)
    for figure in (forest_figure(SHARES, mine=MINE), funnel_figure(SHARES, mine=MINE), means):
        assert figure.chart().to_dict()["description"] == figure.alt
    assert "tag" not in means.frame.columns
    assert "practice 6, yours" in means.alt
    assert forest_figure(SHARES).alt.startswith("Over 6 practices with 625 cases counted")
    assert "this is no ranking" in forest_figure(SHARES).alt
    chance = r"If all had a share of 11\.8% and chance alone were at work: 1 of 3 beyond the 95% limits"
    assert re.search(chance, funnel_figure(SHARES).alt)
    assert "tag" not in forest_figure(SHARES).frame.columns
    frame = forest_figure(SHARES, mine=MINE).frame
    assert frame.filter(frame["kind"] == "yours")["name"].to_list() == ["★ practice 6, yours"]


def test_many_practices_lie_closer(many: SharePool) -> None:
    assert forest_figure(many).chart().to_dict()["height"] == (40 + 2) * CLOSE_ROW
    assert funnel_figure(many).frame.height == 40


@pytest.fixture(scope="module")
def many() -> SharePool:
    rng = np.random.default_rng(3)
    return group_result(*rng.integers(10, 25, 40).tolist()).shares[0]


def test_practices_all_without_an_adverse_case_are_said_in_words() -> None:
    none = group_result(0, 0, 0).shares[0]
    assert "No case with the outcome among 273 in any practice" in pooled_sentence(none)
    assert none.figures[0].value is None
    assert none.prediction_high is None
    assert place_sentence(none.lines[0])
    assert forest_figure(none).chart().to_dict()["height"]
    assert funnel_figure(none).alt


def test_differences_are_put_in_words() -> None:
    assert "no more than chance alone" in spread_sentence(group_result(10, 10, 11).shares[0])
    assert "more than chance explains" in spread_sentence(group_result(5, 30, 12, 45).shares[0])


def test_the_charts_over_time_are_those_of_the_command(opened: Open, reader: Reader) -> None:
    found = drift_picture(reader, Question(selection=Selection(filters={"practice": ("HARBOUR",)})))
    assert found.path is not None
    said = everything_said(opened("drift", practice="HARBOUR"))
    for sentence in drift_sentences(found):
        assert sentence in said
    assert cusum_frame(found).height == found.path.n
    assert cusum_chart(found).to_dict()["description"].startswith("Sum of evidence over ")
    assert periods_chart(found).to_dict()["description"].startswith("Share adverse by period")
    assert periods_frame(found).height == len([one for one in found.periods.points if one.n])


def test_a_share_stated_in_the_address_fixes_the_chart(opened: Open, reader: Reader) -> None:
    found = drift_picture(
        reader,
        Question(selection=Selection(filters={"practice": ("QUARRY",)})),
        asked=DriftAsked(in_control=0.1),
    )
    said = everything_said(opened("drift", practice="QUARRY", usual="10"))
    assert drift_sentences(found)[0] in said
    assert "Usual share 10.0% (stated beforehand)" in said


def test_too_few_cases_for_a_chart_are_said_in_words(of_crowd: Open) -> None:
    app = of_crowd("drift", practice="MILL")
    said = everything_said(app)
    assert not app.exception
    assert "MILL: no chart yet." in said
    assert "are needed to take the usual share from" in said
    assert "By when treatment started" in said


def test_a_practice_is_charted_alone_and_a_coordinator_is_offered_no_chart(
    of_crowd: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:QUARRY")
    said = everything_said(of_crowd("drift", practice="HARBOUR"))
    assert "QUARRY: " in said
    assert "HARBOUR" not in said
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    assert "Is it drifting?" not in everything_said(of_crowd())
