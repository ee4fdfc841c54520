"""What the missing could do, and teeth against face."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest

from tests.hand_made import made_case, reader_of
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.missing import pair_and_missing, shares_and_missing
from warehouse.questions.teeth_and_face import corners_of_cases as corners_on_screen
from warehouse.questions.teeth_and_face import teeth_and_face
from warehouse.words.changes import corners_sentences

A, B = "functional_removable", "fixed_labial"


def test_bounds_count_every_outcome_that_is_due(reader: Reader) -> None:
    (group,) = shares_and_missing(reader, Question()).groups
    n_due = reader.connection.value(
        "select count(*) from mart_outcomes where definition_id = 'D1' and step not in ('counted', 'in_treatment')"
    )
    assert group.rate.missing.n == n_due > 0
    assert group.tipping.missing == n_due
    x, n = group.rate.adverse.n, group.rate.counted.n
    assert group.rate.if_none.value == pytest.approx(x / (n + n_due))
    assert group.rate.if_all.value == pytest.approx((x + n_due) / (n + n_due))


def test_a_message_about_another_share_can_be_asked_for(reader: Reader) -> None:
    far = shares_and_missing(reader, Question(), value=0.9).groups[0].tipping
    assert far.message == "below"
    assert (far.holds_from, far.holds_to) == (0, far.missing)


def test_a_difference_lies_between_its_extremes(reader: Reader) -> None:
    found = pair_and_missing(reader, Question(by="appliance_category", first=A, second=B))
    assert sum(found.missing) > 0
    assert found.lowest.value is not None
    assert found.highest.value is not None
    for middle in (found.observed.value, found.imputed.difference.value):
        assert middle is not None
        assert found.lowest.value <= middle <= found.highest.value
    assert found.grid.grid.height == (found.missing[0] + 1) * (found.missing[1] + 1)


def test_imputation_is_the_same_every_time_and_counts_whom_it_leaves_out(reader: Reader) -> None:
    one, two = (pair_and_missing(reader, Question(by="appliance_category", first=A, second=B)) for _ in range(2))
    assert one.imputed.difference.value == two.imputed.difference.value
    assert one.without_covariates + one.imputed.difference.n == sum(one.assessed) + sum(one.missing)


def test_the_odds_at_which_another_thing_would_be_said(reader: Reader) -> None:
    found = pair_and_missing(reader, Question(by="appliance_category", first=A, second=B))
    for group, rising in enumerate((1, -1)):
        shifted = {one.times: one.difference for one in found.shifted[group]}
        values = [one.value for one in shifted.values()]
        assert shifted[1.0] == found.imputed.difference
        assert None not in values
        assert values == sorted(values, reverse=rising < 0)  # more adverse in the second group: a smaller difference
        tips = found.tips_at(group)
        sides = {k: [one.interval.low > 0, one.interval.high < 0] for k, one in shifted.items()
                 if one.interval}  # fmt: skip
        assert len(sides) == len(values)
        nearer = [k for k in sides if abs(np.log(k)) < abs(np.log(tips or np.inf))]
        assert all(sides[k] == sides[1.0] for k in nearer)
        assert tips is None or sides[tips] != sides[1.0]


def test_fewer_than_twenty_imputations_are_refused(reader: Reader) -> None:
    with pytest.raises(RequestError, match="5 imputations"):
        pair_and_missing(reader, Question(by="appliance_category", first=A, second=B), n_imputations=5)


def test_the_four_corners_are_the_table_of_both_judgements(reader: Reader) -> None:
    found = teeth_and_face(reader, Question(by="extraction"))
    frame = reader.connection.frame(
        "select status = 'adverse' as adverse, s.par_uk_points as before, f.par_uk_points as after"
        " from mart_outcomes inner join mart_timeline as s using (case_no)"
        " inner join mart_timeline as f using (case_no)"
        " where definition_id = 'D1' and step = 'counted' and s.timepoint = 'start' and f.timepoint = 'finish'"
    ).drop_nulls()
    improved = frame["before"] - frame["after"] >= 0.3 * frame["before"]
    corners = found.corners
    assert corners.better_adverse == frame.filter(improved & pl.Series(frame["adverse"])).height
    total = corners.better_adverse + corners.better_not_adverse
    total += corners.not_better_adverse + corners.not_better_not_adverse
    assert total == corners.among_all.n == frame.height
    assert sum(group.corners.better_adverse for group in found.groups) == corners.better_adverse


def test_the_corners_say_what_improved_means(reader: Reader) -> None:
    found = teeth_and_face(reader, Question())
    assert "30%" in found.improved_means
    assert found.groups == ()
    assert found.by is None


@pytest.fixture(scope="module")
def perfect(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    """Cases of which two had straight teeth at the start."""
    pair = {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 36.0}
    scores = [(30.0, 5.0), (30.0, 29.0), (0.0, 0.0), (0.0, 4.0), (0.0, None)]
    rows = [
        made_case(str(i), **pair, par_uk_points_start=before, par_uk_points_finish=after)
        for i, (before, after) in enumerate(scores)
    ]
    yield (reader := reader_of(tmp_path_factory.mktemp("perfect"), rows))
    reader.close()


def test_teeth_that_cannot_improve_are_left_out_and_told(perfect: Reader) -> None:
    found = teeth_and_face(perfect, Question())
    corners = found.corners
    assert (corners.better_adverse, corners.not_better_adverse, corners.among_all.n) == (1, 1, 2)
    assert found.nothing_to_improve == 2
    assert dict(corners.left_out) == {"teeth not assessable": 3}
    assert corners_sentences(found)[-1] == "Among these, 2 cases scored 0 at the start: no teeth to improve."


def test_screen_and_command_show_the_same_corners(perfect: Reader, reader: Reader) -> None:
    for one in (perfect, reader):
        assert corners_on_screen(one, Question()) == teeth_and_face(one, Question()).corners
