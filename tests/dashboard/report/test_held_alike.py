"""Groups with what was recorded held alike, beside the crude shares: the same in every file, and fit to leave."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.charts.intervals import Intervals
from dashboard.report.adjusted import FEW, FROM_MODELS
from dashboard.report.findings import findings
from dashboard.report.gathered import gather
from tests.dashboard.report.conftest import Made, assert_same_files, behind, charts_of, files_of, made_for, notes_of
from tests.hand_made import load_rows, made_case
from tests.warehouse.disclosure.attacker import left_open
from warehouse.analysis import two_group_tests
from warehouse.disclosure import Policy
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.protected.counts import Published
from warehouse.questions.contrast import compare_pair
from warehouse.selection import Selection
from warehouse.words import numbers as wording

NAMES = ("appliance_category", "extraction")


def cases(n: int, *, incomplete: int) -> list[dict[str, Any]]:
    """Cases of two appliances of which one is given to steeper faces; ``incomplete`` of them lack the incisor class."""
    rng = np.random.default_rng(5)
    made = []
    for number in range(n):
        steep = bool(rng.random() < 0.5)
        expander = bool(rng.random() < (0.6 if steep else 0.3))
        adverse = bool(rng.random() < 0.12 + 0.15 * steep + 0.08 * expander)
        made.append(
            made_case(
                f"c{number}",
                appliance="expander_tooth_borne" if expander else "fixed_labial",
                sex=("female", "male")[number % 2],
                age_at_start=round(float(rng.uniform(9, 15)), 2),
                incisor_class=None if number < incomplete else ("I", "II/1")[number % 3 == 0],
                extracted_teeth="14 24" if number % 5 == 0 else "none",
                sn_gogn_deg_start=round(float(rng.normal(37 if steep else 31, 2)), 1),
            )
        )
        start = made[-1]["sn_gogn_deg_start"]
        made[-1]["sn_gogn_deg_finish"] = round(start + (4.0 if adverse else float(rng.normal(0, 0.4))), 1)
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two of 320 cases lack what is adjusted for: their number must not leave."""
    made = tmp_path_factory.mktemp("alike") / "cases"
    load_rows(made, cases(320, incomplete=2))
    return made


@pytest.fixture(scope="module")
def own(folder: Path) -> Made:
    return made_for(folder, "practice", comparisons=NAMES)


@pytest.fixture(scope="module")
def leaving(folder: Path) -> Made:
    return made_for(folder, "outside", comparisons=NAMES)


@pytest.fixture(scope="module", params=["own", "leaving"])
def either(request: pytest.FixtureRequest) -> Made:
    found: Made = request.getfixturevalue(request.param)
    return found


def entries(made: Made, table: str) -> list[dict[str, str]]:
    (found,) = (one for one in made.document.tables if one.name == table)
    keys = [column.key for column in found.columns]
    return [{key: entry.text for key, entry in zip(keys, row, strict=True)} for row in found.rows]


def test_the_practice_reads_what_the_comparison_says(own: Made, folder: Path) -> None:
    with Reader.open(folder) as reader:
        pair = compare_pair(
            reader, Question(by="appliance_category", first="expander_tooth_borne", second="fixed_labial")
        )
    shown = {row["method"]: row for row in entries(own, "appliance_category_adjusted")}
    assert list(shown) == [found.title for found in pair.methods]
    for found in pair.methods:
        row, interval = shown[found.title], found.difference.interval
        assert interval is not None
        assert row["difference_points"] == wording.signed(100 * (found.difference.value or 0.0))
        low, high = (wording.signed(100 * end) for end in (interval.low, interval.high))
        assert row["interval"] == f"{low} to {high}"
        assert row["ratio"] == f"{found.ratio.value:.2f}"
    strength = {row["figure"]: row["value"] for row in entries(own, "appliance_category_strength")}
    assert strength["E-value of the difference"] == f"{pair.e_value.estimate:.2f}"
    assert f"{pair.odds_ratio.value:.2f}" in strength.values()
    complete = entries(own, "appliance_category_complete")
    assert sum(int(row["complete_cases"]) for row in complete) == pair.n == 318
    assert {row["variable"] for row in entries(own, "appliance_category_balance")} >= {"sex: male"}


def test_it_is_said_carefully_and_how_it_stands(either: Made) -> None:
    section = either.document.section("appliance_category_adjusted")
    said = " ".join(section.paragraphs)
    assert "adjusted for" in said
    assert "Not planned in advance: it is in no audit plan." in said
    assert "counted apart" in said
    kept_in_mind = " ".join(section.remarks)
    assert "Not recorded at all: strength and habits of the muscles" in kept_in_mind
    assert "A large number does not show a cause." in kept_in_mind
    assert "caused" not in said + kept_in_mind
    assert any("Adjusting evens out only what was recorded" in text for text in either.document.limits)
    assert "[11]" in " ".join(either.document.methods)


def test_the_same_figures_stand_in_every_file(either: Made) -> None:
    pages = (either.html, either.pdf_text, notes_of(either.slides))
    packed = [page.replace(" ", "").replace("\n", "") for page in pages]
    for name in NAMES:
        section = either.document.section(f"{name}_adjusted")
        rows = entries(either, f"{name}_adjusted")
        assert len(rows) >= 4
        for row in rows:
            for cell in (row["difference_points"], row["interval"], row["ratio"], row["ratio_interval"]):
                assert all(cell.replace(" ", "") in page for page in packed)
        in_csv = either.csv(f"{name}_adjusted")
        assert [wording.signed(float(row["difference_points"])) for row in in_csv] == [
            row["difference_points"] for row in rows
        ]
        in_sheet = list(either.workbook[f"{name}_adjusted"].iter_rows(values_only=True))[1:]
        assert [wording.signed(row[1]) for row in in_sheet] == [row["difference_points"] for row in rows]
        for text in (*section.paragraphs, *section.remarks):
            assert text in notes_of(either.slides)


def test_the_slide_has_a_chart_that_can_be_edited(either: Made) -> None:
    charts = charts_of(either.slides)
    for name in NAMES:
        picture = either.document.section(f"{name}_adjusted").picture
        assert picture is not None
        assert isinstance(picture.figure, Intervals)
        heading, *rows = behind(charts[picture.title])
        assert heading[1:4] == ("difference, points", "low", "high")
        assert [row[1:4] for row in rows] == picture.figure.frame.select("value", "low", "high").rows()
        assert sum(row[0].startswith("★ ") for row in rows) == 1


def test_what_leaves_does_not_tell_how_many_were_incomplete(leaving: Made, own: Made) -> None:
    assert [row["complete_cases"] for row in entries(leaving, "appliance_category_complete")].count("withheld") >= 1
    methods = [row["method"] for row in entries(leaving, "appliance_category_adjusted")]
    assert methods == ["crude", "standardised (logistic model)", "overlap-weighted", "inverse-probability-weighted"]
    assert entries(leaving, "appliance_category_adjusted")[0]["about"] == "among all cases counted"
    assert not any("balance" in table.name for table in leaving.document.tables)
    exact, shown = (
        {row["method"]: row["difference_points"] for row in entries(made, "appliance_category_adjusted")}
        for made in (own, leaving)
    )
    assert {name: shown[name] for name in list(shown)[1:]} == {name: exact[name] for name in list(shown)[1:]}


def test_a_report_works_out_no_test_that_it_does_not_show(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No part of it has the p value of the crude shares; Boschloo's takes up to a second a comparison."""
    worked_out: list[str] = []
    usual = two_group_tests._computed
    monkeypatch.setattr(two_group_tests, "_computed", lambda rows, how: [worked_out.append(how), usual(rows, how)][1])
    with Reader.open(folder) as reader:
        gathered = gather(reader, selection=Selection(), definition=None, comparisons=NAMES, beside=True)
    assert gathered.pairs
    assert worked_out == []


def test_counts_of_complete_cases_give_no_small_count_away(folder: Path) -> None:
    with Reader.open(folder) as reader:
        gathered = gather(reader, selection=Selection(), definition=None, comparisons=NAMES, beside=True)
    few = replace(
        gathered.counted.threshold,
        points=tuple(p for p in gathered.counted.threshold.points if p.threshold in (0, 2, 4)),
    )
    published = Published(replace(gathered.counted, threshold=few), Policy(), {}, ())
    ranges = left_open(published.releases)
    assert [one for one in ranges if one.recovered] == []
    assert set(published.complete) == set(NAMES)


def test_few_cases_for_the_things_held_alike_are_said_in_words(tmp_path: Path) -> None:
    load_rows(tmp_path / "cases", cases(60, incomplete=0))
    with Reader.open(tmp_path / "cases") as reader:
        outside = files_of(findings(reader, audience="outside", comparisons=NAMES))
        whole = findings(reader, audience="practice", comparisons=NAMES)
    assert not outside.document.has("extraction_adjusted")
    assert f"adjusted for what was recorded is not shown. {FEW}" in " ".join(
        outside.document.section("extraction").remarks
    )
    assert whole.comparisons[0].adjusted is not None
    assert set(FROM_MODELS) < {found.method for found in whole.comparisons[0].adjusted.methods}


SMALL = {"facemask": (7, 3), "clear_aligner": (9, 4)}
"""Appliance -> cases of two further groups, and adverse ones among them: all alike in what is adjusted for."""


def with_small_groups(*, moved: bool) -> list[dict[str, Any]]:
    """The cases, and two small groups; ``moved`` gives one adverse outcome of the one to the other.

    Of what is adjusted for, the cases of these groups differ in nothing, so that no estimate may change.
    """
    made = cases(320, incomplete=2)
    for appliance, (n, n_adverse) in SMALL.items():
        shift = {"facemask": 1, "clear_aligner": -1}[appliance] if moved else 0
        made += [
            made_case(
                f"{appliance}-{number}",
                appliance=appliance,
                sex="female",
                age_at_start=11.0,
                incisor_class="I",
                extracted_teeth="none",
                sn_gogn_deg_start=32.0,
                sn_gogn_deg_finish=36.0 if number < n_adverse + shift else 32.0,
            )
            for number in range(n)
        ]
    return made


@pytest.fixture(scope="module")
def pair_of_documents(tmp_path_factory: pytest.TempPathFactory) -> tuple[Made, Made, Made]:
    """What leaves before and after one hidden outcome moved, and the practice's own of the latter."""
    found = []
    for moved in (False, True):
        folder = tmp_path_factory.mktemp("moved") / "cases"
        load_rows(folder, with_small_groups(moved=moved))
        found.append(made_for(folder, "outside", comparisons=NAMES))
    own = made_for(folder, "practice", comparisons=NAMES)
    same_build = {"build": found[0].found.build, "published_at": found[0].found.published_at}
    return found[0], files_of(replace(found[1].found, **same_build)), own


def test_sections_with_like_beside_like_do_not_change_with_what_is_hidden(
    pair_of_documents: tuple[Made, Made, Made],
) -> None:
    """No file may differ in a byte, though both hold the comparisons of like with like and the complete cases."""
    before, after, own = pair_of_documents
    for made in (before, after):
        assert all(made.document.has(f"{name}_adjusted") for name in NAMES)
        assert {row["group"]: row["adverse"] for row in entries(made, "appliance_category")}["facemask"] in {
            "fewer than 5",
            "withheld",
        }
    assert {row["group"]: row["adverse"] for row in entries(own, "appliance_category")}["facemask"] == "4"
    assert_same_files(before, after)


def test_a_file_says_the_same_after_somebody_looked_at_pages(folder: Path, own: Made, leaving: Made) -> None:
    with Reader.open(folder) as reader:
        for by, first, second in (("sex", "female", "male"), ("incisor_class", "I", "II/1")):
            compare_pair(reader, Question(by=by, first=first, second=second))  # each goes on record as looked at
    for before, audience in ((own, "practice"), (leaving, "outside")):
        again = made_for(folder, audience, comparisons=NAMES)  # type: ignore[arg-type]
        assert again.document == before.document
        (said, *_) = (text for one in before.document.sections for text in one.paragraphs if "This file makes" in text)
        assert "0 of them planned in advance" in said
