"""What is hidden in a document made to leave cannot be read, nor worked out, from any of its files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from dashboard.report.findings import findings
from dashboard.report.gathered import gather
from dashboard.report.sections.composing import document
from dashboard.report.shown_for import POLICY
from tests.dashboard.report.conftest import PRACTICES, Made, assert_same_files, files_of, notes_of, parts_of, rows
from tests.hand_made import load_rows, made_case
from tests.warehouse.disclosure.attacker import left_open
from warehouse.disclosure import HIDDEN, Count
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.protected.counts import Published, threshold_name
from warehouse.questions.answer import COMPARISONS
from warehouse.questions.grouped_changes import groups_with_means
from warehouse.selection import Selection

SMALL = ("expander_tooth_borne", "facemask")


def entries(made: Made, table: str, column: str) -> dict[str, str]:
    (found,) = (one for one in made.document.tables if one.name == table)
    place = next(place for place, one in enumerate(found.columns) if one.key == column)
    return {row[0].text: row[place].text for row in found.rows}


def test_small_counts_are_words_and_nothing_follows_from_them(outside: Made) -> None:
    adverse, share = (entries(outside, "appliance_category", column) for column in ("adverse", "share_pct"))
    assert [adverse[group] for group in SMALL] == ["fewer than 5", "fewer than 5"]
    assert [share[group] for group in SMALL] == ["not shown", "not shown"]
    assert entries(outside, "missing", "share_pct")["children observed without treatment"] == "not shown"


def test_none_and_hidden_look_different(outside: Made) -> None:
    adverse = entries(outside, "appliance_category", "adverse")
    assert adverse["clear_aligner"] == "0"
    assert adverse["facemask"] == "fewer than 5"
    assert entries(outside, "appliance_category", "share_pct")["clear_aligner"] == "0.0%"
    assert "0: no case" in outside.document.made_for


@pytest.fixture(scope="module")
def swapped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same warehouse, but one adverse outcome moved from one small group to another."""
    folder = tmp_path_factory.mktemp("swapped") / "cases"
    load_rows(folder, rows(swapped=True))
    return folder


def test_files_do_not_change_with_what_they_hide(outside: Made, small_groups: Path, swapped: Path) -> None:
    """No file may differ in a single byte."""
    before, after = (adverse_by_appliance(folder) for folder in (small_groups, swapped))
    assert (before["facemask"], before["expander_tooth_borne"]) == (3, 2)
    assert (after["facemask"], after["expander_tooth_borne"]) == (2, 3)
    with Reader.open(swapped) as reader:
        found = findings(reader, audience="outside")
    same_build = replace(found, build=outside.found.build, published_at=outside.found.published_at)
    other = files_of(same_build)
    assert_same_files(outside, other)


def test_the_same_move_does_show_in_the_practices_own_files(whole: Made, swapped: Path) -> None:
    with Reader.open(swapped) as reader:
        found = findings(reader, audience="practice")
    other = files_of(replace(found, build=whole.found.build, published_at=whole.found.published_at))
    assert entries(other, "appliance_category", "adverse") != entries(whole, "appliance_category", "adverse")
    for name in (".xlsx", "appliance_category.csv"):
        assert other.files[name] != whole.files[name]


def adverse_by_appliance(folder: Path) -> dict[str, int]:
    with Reader.open(folder) as reader:
        return dict(
            reader.connection.rows(
                "select appliance_first, count(*) from mart_outcomes join mart_cases using (case_no)"
                " where definition_id = 'D1' and mart_outcomes.status = 'adverse' and comparison = 'treated' group by 1"
            )
        )


def test_all_tables_attacked_together_give_no_hidden_count_away(small_groups: Path) -> None:
    with Reader.open(small_groups) as reader:
        gathered = gather(reader, selection=Selection(), definition=None, comparisons=COMPARISONS, beside=True)
    # the chain without most of its thresholds, so that all tables together stay small enough to be attacked at once
    few = replace(
        gathered.counted.threshold,
        points=tuple(p for p in gathered.counted.threshold.points if p.threshold in (0, 2, 4)),
    )
    releases = Published(replace(gathered.counted, threshold=few), POLICY, {}, ()).releases
    by = ("appliance_category", "age_band", "extraction")
    assert [release.name for release in releases] == [
        "all cases",
        *(name for way in by for name in (way, f"{way}, complete")),
    ]
    ranges = left_open(releases)
    assert len(ranges) > 2
    assert [one for one in ranges if one.recovered] == []


def test_thresholds_between_which_few_cases_lie_are_left_out(tmp_path: Path) -> None:
    changes = [0.0] * 20 + [2.5] * 8 + [3.1] * 2 + [4.0] * 6
    cases = [
        made_case(f"c{i}", age_at_start=25.0, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + change)
        for i, change in enumerate(changes)
    ]
    load_rows(tmp_path / "cases", cases)
    with Reader.open(tmp_path / "cases") as reader:
        found = findings(reader, audience="outside")
        own = findings(reader, audience="practice")
    counts = [point.n_adverse for point in found.curve.points]
    assert [point.n_adverse for point in own.curve.points if point.threshold in (2, 3, 3.25)] == [16, 8, 6]
    steps = {abs(first - second) for first in counts for second in counts}
    assert steps <= {0, *range(5, 37)}
    assert (16 in counts, {8, 6} <= set(counts)) == (True, False)


def test_counts_under_other_definitions_are_rounded(outside: Made, whole: Made) -> None:
    exact, shown = (entries(made, "definitions", "adverse") for made in (whole, outside))
    assert (exact["D1 v2.0.0"], shown["D1 v2.0.0"]) == ("23", "23")
    assert (exact["D2 v1.0.0"], shown["D2 v1.0.0"]) == ("23", "25")
    assert "rounded to the nearest 5" in outside.document.section("definitions").remarks[0]


def test_a_mean_needs_eight_cases_and_none_can_be_worked_out_from_the_others() -> None:
    sizes = {"a": 60, "b": 30, "c": 12, "d": 9, "e": 7}
    cells = {group: Count.of(n) for group, n in sizes.items()}
    # leaving out e alone would leave it to be worked out from the mean over all: d is left out as well
    assert groups_with_means(cells, sizes, POLICY) == {"a", "b", "c"}
    # two left out with eight cases together are enough
    assert groups_with_means(cells | {"f": Count.of(6)}, sizes | {"f": 6}, POLICY) == {"a", "b", "c", "d"}
    # a group whose count is hidden has no mean, and an empty one hides nothing
    hidden = cells | {"d": Count("withheld", "withheld", None), "z": Count.of(0)}
    assert groups_with_means(hidden, sizes | {"z": 0}, POLICY) == {"a", "b", "c"}
    assert groups_with_means({"a": Count.of(60)}, {"a": 60}, POLICY) == {"a"}


def test_of_means_left_out_no_practice_can_work_out_another_one() -> None:
    sizes = {"a": 60, "b": 30, "c": 12, "d": 7}
    cells = {practice: Count.of(n) for practice, n in sizes.items()}
    # without its own 7 cases d would be left with the mean of c, and of b and c still knows that of neither
    assert groups_with_means(cells, sizes, POLICY, to_themselves=True) == {"a"}
    # three left out, but the largest of them is left with seven cases of the others
    few = {"a": 60, "b": 30, "c": 9, "d": 6, "e": 4, "f": 3}
    shown = groups_with_means({practice: Count.of(n) for practice, n in few.items()}, few, POLICY, to_themselves=True)
    assert shown == {"a", "b"}
    assert groups_with_means({"a": Count.of(60), "b": Count.of(9)}, {"a": 60, "b": 9}, POLICY, to_themselves=True) == {
        "a",
        "b",
    }


def test_means_of_small_groups_are_not_shown(outside: Made, whole: Made) -> None:
    shown, exact = (entries(made, "change_by_appliance_category", "mean_change") for made in (outside, whole))
    assert [shown[group] for group in SMALL] == ["not shown", "not shown"]
    assert shown["fixed_labial"] == exact["fixed_labial"] != "not shown"


def test_practices_are_named_only_where_asked(small_groups: Path, outside: Made, whole: Made) -> None:
    for made, named in ((outside, False), (whole, True)):
        texts = (made.html, made.pdf_text, notes_of(made.slides), str(parts_of(made.files[".pptx"])))
        assert [("HARBOUR" in text) for text in texts] == [named] * 4
    with Reader.open(small_groups) as reader:
        asked = findings(reader, audience="outside", name_practice=True)
        hidden = findings(
            reader,
            audience="practice",
            name_practice=False,
            comparisons=("practice",),
            selection=Selection(filters={"sex": ("female",)}),
        )
    assert asked.practices == ("HARBOUR",)
    assert [group.label for group in hidden.comparisons[0].groups] == ["practice A"]
    assert "HARBOUR" not in str(files_of(hidden).document)


def test_filters_and_overlapping_groups_are_refused_outside(small_groups: Path) -> None:
    with Reader.open(small_groups) as reader:
        for selection in (Selection(filters={"sex": ("female",)}), Selection(selection="both")):
            with pytest.raises(RequestError, match="subtracted"):
                findings(reader, audience="outside", selection=selection)
        with pytest.raises(RequestError, match="appliance_ever"):
            findings(reader, audience="outside", comparisons=("appliance_ever",))
        with pytest.raises(RequestError, match="no practice 'HARBOR'"):
            findings(reader, audience="practice", selection=Selection(filters={"practice": ("HARBOR",)}))


@pytest.fixture(scope="module")
def two_practices(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """HARBOUR has all lingual cases but two: the difference to everybody would be those."""
    folder = tmp_path_factory.mktemp("two") / "cases"
    for practice, plan in {
        "HARBOUR": {"fixed_labial": (30, 9), "fixed_lingual": (20, 6)},
        "QUARRY": {"fixed_labial": (40, 8), "fixed_lingual": (2, 1)},
    }.items():
        cases = [
            made_case(
                f"{practice}-{appliance}-{number}",
                appliance=appliance,
                sn_gogn_deg_start=32.0,
                sn_gogn_deg_finish=36.0 if number < n_adverse else 32.0,
            )
            for appliance, (n, n_adverse) in plan.items()
            for number in range(n)
        ]
        load_rows(folder, cases, practice=practice, source=f"{practice}.csv")
    return folder


def test_one_practice_cannot_be_subtracted_from_all(two_practices: Path) -> None:
    with Reader.open(two_practices) as reader:
        everybody = findings(reader, audience="outside", comparisons=("appliance_category",))
        one = findings(
            reader,
            audience="outside",
            comparisons=("appliance_category",),
            selection=Selection(filters={"practice": ("HARBOUR",)}),
        )
    assert everybody.overall.counted.value == 92
    assert one.overall.counted.value == 50
    of_all, of_one = (
        {group.group: group.counted.value for group in found.comparisons[0].groups} for found in (everybody, one)
    )
    assert of_all == {"fixed_labial": 70, "fixed_lingual": 22}
    assert of_one == {"fixed_labial": None, "fixed_lingual": None}, "72 - 50 tells the rest, but not of which kind"


def test_how_many_moved_the_other_way_is_protected_over_all_and_withheld_by_group(whole: Made, outside: Made) -> None:
    """Over all it is a class of the chain; it is in no other protected table, so nothing of it may stand there."""
    mine, theirs = whole.found, outside.found
    assert theirs.overall.favourable is not None
    if theirs.overall.favourable.value is not None:
        assert theirs.overall.favourable.value == mine.overall.favourable.n  # type: ignore[union-attr]
        assert not 0 < theirs.overall.favourable.value < theirs.policy.minimum
    assert mine.overall.favourable is not None
    assert mine.overall.net is not None
    assert mine.overall.net.value is not None
    shown = [group for _, group in (*theirs.family, *theirs.secondary)]
    shown += [group for comparison in theirs.comparisons for group in comparison.groups]
    shown += [theirs.untreated] if theirs.untreated else []
    with_another_way = [group for group in shown if group.favourable is not None]
    assert len(with_another_way) > 3
    for group in with_another_way:
        assert group.favourable == HIDDEN
        assert (group.share_favourable.value, group.share_favourable.interval) == (None, None)
        assert (group.net.value, group.net.interval) == (None, None)
    for made in (whole, outside):
        known = made.found.overall.favourable.value is not None  # type: ignore[union-attr]
        assert ("Against that, " in made.html) is known
        assert ("Net, the share adverse minus" in str(made.document)) is known


def test_everything_hidden_is_said_in_words(tmp_path: Path) -> None:
    load_rows(tmp_path / "cases", [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=36.0)])
    with Reader.open(tmp_path / "cases") as reader:
        made = files_of(findings(reader, audience="outside"))
    assert made.document.answer == "The share is not shown: it rests on a count that is hidden."
    assert made.found.change is None
    assert made.found.curve.points == ()
    assert "100.0%" not in str(made.document)


def test_a_frame_with_a_hidden_outcome_guards_every_comparison(tmp_path: Path) -> None:
    """Three adverse cases over all: then no table by group may show where they are, nor add up to them."""
    cases = [
        made_case(
            f"c{i}",
            appliance="fixed_labial" if i % 2 else "clear_aligner",
            age_at_start=8.5 if i < 20 else 12.5,
            sn_gogn_deg_start=32.0,
            sn_gogn_deg_finish=36.0 if i in (1, 3, 30) else 32.0,
        )
        for i in range(40)
    ]
    load_rows(tmp_path / "cases", cases)
    with Reader.open(tmp_path / "cases") as reader:
        gathered = gather(reader, selection=Selection(), definition=None, comparisons=COMPARISONS, beside=True)
        found = findings(reader, audience="outside")
    few = replace(
        gathered.counted.threshold, points=tuple(p for p in gathered.counted.threshold.points if p.threshold == 2)
    )
    releases = Published(replace(gathered.counted, threshold=few), POLICY, {}, ()).releases
    assert found.overall.adverse.shown == "fewer than 5"
    assert [one for one in left_open(releases) if one.recovered] == []


def test_the_chain_holds_every_case_once(small_groups: Path) -> None:
    with Reader.open(small_groups) as reader:
        gathered = gather(reader, selection=Selection(), definition=None, comparisons=COMPARISONS, beside=True)
    chain = Published(gathered.counted, POLICY, {}, ()).chain
    sums = {name: sum(chain.atoms[atom] for atom in atoms) for name, atoms in chain.members.items()}
    (group,) = gathered.counted.overall.groups
    assert (sums["started"], sums["counted"], sums["adverse"]) == (group.started.n, group.counted.n, group.adverse.n)
    for point in gathered.counted.threshold.points:
        assert sums.get(threshold_name(point.threshold), 0) == point.n_adverse
    frame = pl.DataFrame(list(chain.atoms.items()), schema=["class", "n"], orient="row")
    assert frame["n"].sum() == 125


def test_practices_beside_each_other_are_named_only_where_asked(group: Made, practices: Path) -> None:
    names = ("QUARRY", "MILLRACE", "ORCHARD")
    assert not any(name in str(group.document) for name in names)
    with Reader.open(practices) as reader:
        named = document(findings(reader, audience="outside", name_practice=True))
        left_out = findings(reader, audience="outside", practices=False)
        alone = findings(reader, audience="outside", selection=Selection(filters={"practice": ("HARBOUR",)}))
        other = findings(reader, audience="outside", definition="D2")
        asked = findings(reader, audience="outside", comparisons=("practice", "extraction"))
    rows_of = [row[0].text for row in named.section("practices").tables[0].rows]
    assert rows_of == [*PRACTICES, "all together"]
    assert [one.beside for one in (left_out, alone, other)] == [None, None, None]
    assert [one.by.name for one in asked.comparisons] == ["extraction"], "it would show what the picture hides"
