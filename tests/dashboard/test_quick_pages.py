"""What makes pages quick changes nothing shown: layers without copies, thinned lines, one open snapshot a run."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl
import pytest

from dashboard.access import working
from dashboard.access.ask import OpenWarehouse, Session
from dashboard.access.viewer import viewer_named
from dashboard.access.working import one_reader
from dashboard.charts.drift import MOST_DRAWN, cusum_chart, thinned
from dashboard.charts.figure import layered
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.answer import at_a_glance
from warehouse.questions.drift import DriftAsked, DriftPicture, drift_picture
from warehouse.selection import Selection
from warehouse.store.snapshot import Snapshot, current_snapshot
from warehouse.store.storage import Connection

ROWS = pl.DataFrame({"x": [1, 2, 3], "y": [2.0, 1.0, 4.0]})


def charts(*, share_rows: bool) -> list[alt.Chart]:
    base = alt.Chart(ROWS).encode(x="x:Q", y="y:Q")
    other = base if share_rows else alt.Chart(pl.DataFrame({"x": [2], "y": [0.5]})).encode(x="x:Q", y="y:Q")
    return [base.mark_line(), other.mark_point(size=9), other.mark_text(dx=3).encode(text="y:Q")]


@pytest.mark.parametrize("share_rows", [True, False])
def test_layers_are_those_that_altair_makes(share_rows: bool) -> None:
    listed = charts(share_rows=share_rows)
    made = layered(*listed, width=300, description="said")
    assert made.to_dict() == alt.layer(*listed, width=300, description="said").to_dict()
    assert (
        made.properties(height=90).to_dict() == alt.layer(*listed, width=300, height=90, description="said").to_dict()
    )


def test_layers_leave_the_charts_they_are_made_of_as_they_were() -> None:
    listed = charts(share_rows=True)
    before = [one.to_dict() for one in listed]
    layered(*listed)
    assert [one.to_dict() for one in listed] == before


def test_a_few_cases_are_all_drawn() -> None:
    frame = pl.DataFrame({"case": range(1, MOST_DRAWN + 1), "sum": [0.5] * MOST_DRAWN})
    assert thinned(frame, "sum").equals(frame)


def test_of_many_cases_the_lowest_and_highest_of_every_stretch_are_drawn() -> None:
    n = 10 * MOST_DRAWN
    sums = np.random.default_rng(3).normal(size=n).round(2)
    frame = pl.DataFrame({"case": range(1, n + 1), "sum": sums})
    kept = thinned(frame, "sum")
    assert kept.height == MOST_DRAWN
    assert kept["case"].is_sorted()
    stretches = sums.reshape(MOST_DRAWN // 2, -1)
    drawn = kept["sum"].to_numpy().reshape(-1, 2)
    assert np.array_equal(drawn.min(axis=1), stretches.min(axis=1))
    assert np.array_equal(drawn.max(axis=1), stretches.max(axis=1))


def test_a_practice_of_very_many_cases_gets_its_chart(reader: Reader) -> None:
    one = Selection(filters={"practice": ("HARBOUR",)})
    found = drift_picture(reader, Question(selection=one), asked=DriftAsked(in_control=0.2))
    many = long_path(found, 120)
    spec = cusum_chart(many).to_dict()
    (line,) = [part for part in spec["layer"] if part["mark"]["type"] == "line"]
    rows = spec["datasets"][line["data"]["name"]]
    assert many.path is not None
    assert many.path.n > 2 * MOST_DRAWN
    assert 0 < len(rows) <= MOST_DRAWN


def long_path(found: DriftPicture, times: int) -> DriftPicture:
    """The same picture with its path repeated."""
    assert found.path is not None
    return replace(found, path=replace(found.path, values=found.path.values * times, n=found.path.n * times))


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[Reader]:
    """Every reader that is opened, in order."""
    made: list[Reader] = []
    opening = working._opened

    def noted(place: OpenWarehouse, snapshot: Snapshot) -> Reader:
        made.append(opening(place, snapshot))
        return made[-1]

    monkeypatch.setattr(working, "_opened", noted)
    return made


def asked(folder: Path, number: int) -> int:
    """Ask something that nobody asked before."""
    session = Session(
        place=OpenWarehouse(folder=folder), viewer=viewer_named("owner"), snapshot=current_snapshot(folder)
    )
    return session.about_methods(count_above, number=number, thread=threading.get_ident())


def count_above(reader: Reader, *, number: int, thread: int) -> int:
    return int(reader.connection.value("select count(*) from mart_cases where case_no > ?", [number]))


def test_the_questions_of_one_run_read_one_open_snapshot_which_is_closed_afterwards(
    folder: Path, opened: list[Reader]
) -> None:
    with one_reader():
        found = [asked(folder, number) for number in (-1, -2, -3)]
    assert len(set(found)) == 1
    assert found[0] > 0
    assert len(opened) == 1
    with pytest.raises(Exception, match="closed"):
        opened[0].connection.value("select 1")


def test_outside_a_run_every_question_opens_the_snapshot(folder: Path, opened: list[Reader]) -> None:
    assert asked(folder, -11) == asked(folder, -12)
    assert len(opened) == 2


def test_a_run_that_fails_closes_its_snapshot(folder: Path, opened: list[Reader]) -> None:
    with pytest.raises(KeyError), one_reader():
        asked(folder, -21)
        raise KeyError("x")
    with pytest.raises(Exception, match="closed"):
        opened[0].connection.value("select 1")


def test_the_first_page_looks_at_the_cases_no_oftener_than_it_has_pictures(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three groupings, the years and who was counted: five pictures."""
    asked: list[str] = []

    def counting(name: str) -> None:
        ask = getattr(Connection, name)

        def counted(self: Connection, query: str, *given: object) -> object:
            asked.append(query)
            return ask(self, query, *given)

        monkeypatch.setattr(Connection, name, counted)

    for name in ("rows", "frame", "value"):
        counting(name)
    with Reader.open(folder) as reader:
        found = at_a_glance(reader, selection=Selection())
    of_cases = [query for query in asked if "mart_cases" in query]
    pictures = [*found.by, found.years, found.overall.flow]
    assert len(pictures) == 5
    assert 0 < len(of_cases) <= len(pictures)
