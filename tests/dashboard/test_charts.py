"""Charts are pure functions of results: what they hold, what they say, and that both modes and no case work."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import altair as alt
import polars as pl
import pytest

from dashboard.charts.agreement import agreement_chart
from dashboard.charts.balance import balance_alt, balance_chart
from dashboard.charts.changes import changes_figure
from dashboard.charts.corners import corners_chart
from dashboard.charts.course import course_alt, course_chart
from dashboard.charts.dots import beyond_chart, dots_alt, dots_chart
from dashboard.charts.figure import ChartFigure
from dashboard.charts.growth import growth_alt, growth_chart
from dashboard.charts.intervals import bounds_figure, contrasts_figure, shares_figure
from dashboard.charts.sampling import sampling_figure
from dashboard.charts.threshold import threshold_figure
from dashboard.charts.tiles import completeness_alt, completeness_chart, crossed_alt, crossed_chart
from dashboard.theme import DARK, LIGHT, Palette
from warehouse.cases.case_dots import CaseDots, case_dots
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.protected.shares import as_shown, published
from warehouse.questions.answer import Firmness, Glance, at_a_glance, firmness
from warehouse.questions.contrast import PairComparison, compare_pair
from warehouse.questions.crossed import compare_crossed
from warehouse.questions.shares import rates
from warehouse.questions.teeth_and_face import corners_of_cases
from warehouse.repeats.repeats import repeats
from warehouse.selection import Selection
from warehouse.upkeep.catalogue_report import catalogue_report
from warehouse.upkeep.data_quality import data_quality
from warehouse.words.readings import agreement_alt, agreement_sentence, line_sentence

EVERYONE = Selection()
NOBODY = Selection(filters={"age_band": ("under 8",)})


@pytest.fixture(scope="module")
def found(reader: Reader) -> Glance:
    return at_a_glance(reader, selection=EVERYONE)


@pytest.fixture(scope="module")
def firm(reader: Reader) -> Firmness:
    return firmness(reader, selection=EVERYONE)


@pytest.fixture(scope="module")
def dots(reader: Reader) -> CaseDots:
    made = case_dots(reader, selection=EVERYONE)
    assert made is not None
    return made


@pytest.fixture(scope="module")
def pair(reader: Reader) -> PairComparison:
    return compare_pair(reader, Question(by="extraction", first="extraction", second="non-extraction"))


def rows_of(spec: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for rows in spec.get("datasets", {}).values():
        yield from rows


def marks(spec: dict[str, Any]) -> list[str]:
    return [layer["mark"]["type"] for layer in spec["layer"]]


@pytest.fixture(scope="module")
def figures(found: Glance, firm: Firmness, reader: Reader, pair: PairComparison) -> dict[str, ChartFigure]:
    """Every figure, for screen, paper and slide."""
    assert firm.changes is not None
    return {
        "rates": shares_figure(found.by[0]),
        "protected": shares_figure(as_shown(published(reader, "age_band"))),
        "bounds": bounds_figure(found.group),
        "changes": changes_figure(firm.changes),
        "threshold": threshold_figure(firm.threshold, firm.changes.unit),
        "sampling": sampling_figure(found.overall.flow),
        "contrasts": contrasts_figure({one.title: one.difference for one in pair.methods}, main=pair.answer.title),
    }


@pytest.fixture(scope="module")
def drawn(reader: Reader, dots: CaseDots, pair: PairComparison) -> dict[str, Callable[[Palette], alt.LayerChart]]:
    """Every chart that is on a page alone, ready to be drawn in any mode."""
    corners = corners_of_cases(reader, Question(selection=EVERYONE))
    assert corners is not None
    crossed = compare_crossed(reader, Question(by="extraction", by2="sex"))
    read_twice = repeats(reader, selection=EVERYONE, measure="sn_gogn_deg")
    quality, growth = data_quality(reader, selection=EVERYONE), catalogue_report(reader)
    course = pl.DataFrame({"timepoint": ["start"], "months_from_start": [0.0], "value": [32.0]})
    return {
        "dots": lambda palette: dots_chart(dots, palette),
        "beyond": lambda palette: beyond_chart(dots, palette, picked=dots.frame["case"].head(3).to_list()),
        "corners": lambda palette: corners_chart(corners, palette),
        "course": lambda palette: course_chart(course, palette, label="a plane", unit="degrees"),
        "balance": lambda palette: balance_chart(pair.balance_overlap, palette),
        "crossed": lambda palette: crossed_chart(crossed, palette),
        "agreement": lambda palette: agreement_chart(read_twice, palette),
        "completeness": lambda palette: completeness_chart(quality.completeness, palette),
        "growth": lambda palette: growth_chart(growth, "sn_gogn_deg", palette),
    }


FIGURES = ["rates", "protected", "bounds", "changes", "threshold", "sampling", "contrasts"]
NAMES = ["dots", "beyond", "corners", "course", "balance", "crossed", "agreement", "completeness", "growth"]


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize(("palette", "large"), [(LIGHT, False), (DARK, True)])
def test_a_figure_is_valid_described_and_dressed(
    figures: dict[str, ChartFigure], name: str, palette: Palette, large: bool
) -> None:
    spec = figures[name].chart(palette, large=large).to_dict()
    assert len(spec["description"]) > 20
    assert spec["config"]["background"] == palette.ground
    assert spec["config"]["axis"]["labelFontSize"] == (24 if large else 13)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_a_chart_is_valid_described_and_dressed(
    drawn: dict[str, Callable[[Palette], alt.LayerChart]], name: str, palette: Palette
) -> None:
    spec = drawn[name](palette).to_dict()
    assert len(spec["description"]) > 20
    assert spec["config"]["background"] == palette.ground
    assert spec["config"]["axis"]["labelFontSize"] == 13


def test_no_chart_was_left_out(
    drawn: dict[str, Callable[[Palette], alt.LayerChart]], figures: dict[str, ChartFigure]
) -> None:
    assert (sorted(drawn), sorted(figures)) == (sorted(NAMES), sorted(FIGURES))


def test_shares_stand_at_their_numbers(found: Glance) -> None:
    rows = list(rows_of(shares_figure(found.by[2]).chart().to_dict()))
    for group, row in zip(found.by[2].groups, rows, strict=True):
        assert row["value"] == group.rate.value
        assert row["counts"] == f"{group.adverse.n} of {group.counted.n}"


def test_a_protected_chart_holds_no_number_of_a_hidden_group(reader: Reader) -> None:
    protected = as_shown(published(reader, "age_band"))
    hidden = [group for group in protected.groups if group.adverse.value is None]
    assert hidden
    for row in rows_of(shares_figure(protected).chart().to_dict()):
        if row["name"] in {group.label for group in hidden}:
            assert (row["value"], row["low"], row["high"]) == (None, None, None)
            assert row["said"] == "not shown"


def test_the_histogram_holds_bins_and_no_case(firm: Firmness) -> None:
    assert firm.changes is not None
    rows = [row for row in rows_of(changes_figure(firm.changes).chart().to_dict()) if "class" in row]
    assert sum(row["n"] for row in rows) == firm.changes.n
    assert set(rows[0]) == {"low", "high", "class", "n"}
    assert {row["class"] for row in rows if row["low"] < 2.0} == {"not adverse"}


def test_classes_of_dots_differ_in_shape_as_well_as_colour(dots: CaseDots) -> None:
    spec = dots_chart(dots).to_dict()
    points = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "point")
    assert points["encoding"]["shape"]["scale"]["range"] == ["triangle-up", "circle"]
    assert {param["name"] for param in spec["params"]} == {"area", "one"}


def test_a_dot_carries_nothing_that_names_a_practice(dots: CaseDots) -> None:
    rows = [row for row in rows_of(dots_chart(dots).to_dict()) if "case" in row]
    assert len(rows) == dots.n_drawn
    assert set(rows[0]) == {"case", "before", "after", "beyond", "status"}
    assert len(rows[0]["case"]) == 10


def test_the_method_decided_on_is_marked_by_more_than_colour(pair: PairComparison) -> None:
    named = {one.title: one.difference for one in pair.methods}
    rows = [row for row in rows_of(contrasts_figure(named, main=pair.answer.title).chart().to_dict()) if "name" in row]
    assert [row["name"] for row in rows if row["kind"] == "counted"] == [f"★ {pair.answer.title}"]


def test_alternatives_say_the_finding(
    reader: Reader, found: Glance, firm: Firmness, dots: CaseDots, pair: PairComparison
) -> None:
    assert firm.changes is not None
    group = found.group
    assert f"started: {group.started.n}" in sampling_figure(found.overall.flow).alt
    assert f"({group.adverse.n} of {group.counted.n})" in shares_figure(found.overall).alt
    assert f"{firm.changes.n_beyond} lie at or beyond the threshold of 2" in changes_figure(firm.changes).alt
    assert f"one dot for each of {dots.n_drawn} cases" in dots_alt(dots)
    assert "measuring error" in line_sentence(dots)
    assert "standard deviations" in balance_alt(pair.balance_overlap)
    assert "percentage points" in contrasts_figure({one.title: one.difference for one in pair.methods}).alt
    assert "Share adverse by extraction status and sex" in crossed_alt(
        compare_crossed(reader, Question(by="extraction", by2="sex"))
    )
    assert "Ordinary change of" in growth_alt(catalogue_report(reader), "sn_gogn_deg")
    assert "Least complete:" in completeness_alt(data_quality(reader, selection=EVERYONE).completeness)


def test_charts_of_no_case_are_empty_and_say_so(reader: Reader) -> None:
    empty, nothing = at_a_glance(reader, selection=NOBODY), firmness(reader, selection=NOBODY)
    assert nothing.changes is not None
    assert changes_figure(nothing.changes).alt == "No picture: no case could be counted."
    for chart in (
        shares_figure(empty.overall).chart(),
        sampling_figure(empty.overall.flow).chart(),
        changes_figure(nothing.changes).chart(),
        threshold_figure(nothing.threshold, "").chart(),
        bounds_figure(empty.group).chart(),
        completeness_chart(data_quality(reader, selection=NOBODY).completeness),
    ):
        assert chart.to_dict()["layer"]
    assert rates(reader, selection=NOBODY).groups[0].rate.value is None


def test_a_measure_never_read_twice_says_so(reader: Reader) -> None:
    nothing = repeats(reader, selection=EVERYONE, measure="overjet_mm")
    assert agreement_alt(nothing) == agreement_sentence(nothing)
    assert "No record was read twice" in agreement_alt(nothing)
    assert agreement_chart(nothing).to_dict()["layer"]
    assert "was never read" in course_alt(
        pl.DataFrame({"timepoint": [], "months_from_start": [], "value": []}), "it", "mm"
    )
