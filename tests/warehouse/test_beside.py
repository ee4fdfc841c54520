"""What stands beside a share: expected without treatment, and once reading error is allowed for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import sqrt

import polars as pl
import pytest
from scipy.stats import norm

from tests.conftest import Study
from tests.hand_made import made_case, reader_of
from warehouse.analysis.method_error import MINIMUM_PAIRS
from warehouse.analysis.misclassification import ErrorVariance, corrected_share
from warehouse.marts.reader import Reader
from warehouse.questions.beside import CORRECTED_HELD_WITH_HEAVY_TAILS, ENOUGH_UNTREATED, NOTHING_BESIDE
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.words.sentences import caution_text
from warehouse.words.shares import (
    beside_entries,
    beside_sentences,
    corrected_sentence,
    first_line,
    not_told,
    untreated_sentence,
)

DEFAULT_ERROR = 0.8
"""Of SN-GoGn in the catalogue."""


def rows_of(n: int, **fields: object) -> list[dict[str, object]]:
    """Girls of 11 over two years, whose plane changed by -2.0, -1.9 and so on to +3.9 degrees."""
    kind = "u" if "comparison" in fields else "t"
    return [
        made_case(f"{kind}{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=30.0 + i % 60 / 10, **fields)
        for i in range(n)
    ]


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    few = rows_of(ENOUGH_UNTREATED - 1, comparison="untreated", appliance=None)
    with reader_of(tmp_path_factory.mktemp("beside"), [*rows_of(60), *few]) as opened:
        yield opened


def test_what_to_expect_is_worked_out_from_the_reference_by_hand(reader: Reader) -> None:
    (group,) = rates(reader).groups
    (growth_sd,) = {sd for (sd,) in reader.connection.rows("select sn_gogn_deg__expected_sd from mart_spans")}
    expected = group.beside.expected
    assert expected is not None
    # two years of growth and two readings with an error of 0.8; growth is taken off, so its mean is not in it
    assert expected.share.value == pytest.approx(norm.sf(2.0 / sqrt(growth_sd**2 + 2 * DEFAULT_ERROR**2)), abs=1e-4)
    assert "growth reference's mean" in untreated_sentence(group)


def test_a_raw_change_is_expected_to_follow_growth(reader: Reader) -> None:
    (raw,), (adjusted,) = (rates(reader, definition=one).groups for one in ("D2", "D1"))
    assert raw.beside.expected is not None
    assert adjusted.beside.expected is not None
    assert (raw.beside.expected.share.value or 1.0) < (adjusted.beside.expected.share.value or 0.0)


def test_enough_untreated_cases_speak_for_themselves(tmp_path_factory: pytest.TempPathFactory) -> None:
    watched = rows_of(ENOUGH_UNTREATED, comparison="untreated", appliance=None)
    with reader_of(tmp_path_factory.mktemp("enough"), [*rows_of(60), *watched]) as opened:
        (group,) = rates(opened).groups
        (own,) = rates(opened, selection=Selection(comparison="untreated")).groups
    assert group.beside.expected is not None
    assert own.beside.expected is not None
    assert group.beside.expected.share.value == own.rate.value
    assert group.beside.expected.share.interval == own.rate.interval
    assert f"{ENOUGH_UNTREATED} cases observed without treatment" in untreated_sentence(group)
    assert "growth reference" in untreated_sentence(own)  # and not themselves


def test_a_catalogue_error_is_said_and_counts_for_few_pairs(reader: Reader) -> None:
    (group,) = rates(reader).groups
    corrected = group.beside.corrected
    assert corrected is not None
    assert (corrected.pairs, corrected.stand_in, corrected.sem) == (0, 60, pytest.approx(DEFAULT_ERROR))
    assert "For 60 cases the reading error is the catalogue's" in corrected_sentence(group)
    assert corrected.share.interval is not None
    assert group.rate.interval is not None
    width = corrected.share.interval.high - corrected.share.interval.low
    assert width > group.rate.interval.high - group.rate.interval.low


def test_one_error_of_few_pairs_stays_one_however_many_values_there_are(reader: Reader) -> None:
    (group,) = rates(reader).groups
    assert group.beside.corrected is not None
    found = group.beside.corrected.share
    (grown,) = {mean for (mean,) in reader.connection.rows("select sn_gogn_deg__expected from mart_spans")}
    changes = [round(-2.0 + i % 60 / 10 - grown, 2) for i in range(60)]
    alone = corrected_share(changes, 2.0, ErrorVariance.of_pairs(DEFAULT_ERROR, MINIMUM_PAIRS))
    assert found.interval is not None
    assert alone.interval is not None
    assert found.value == pytest.approx(alone.value, abs=1e-9)
    assert (found.interval.low, found.interval.high) == pytest.approx((alone.interval.low, alone.interval.high))


def test_without_a_known_error_nothing_is_corrected_and_that_is_said(tmp_path_factory: pytest.TempPathFactory) -> None:
    rows = [made_case(f"i{i}", facial_index_pct_start=84.0, facial_index_pct_finish=80.0 + i) for i in range(12)]
    with reader_of(tmp_path_factory.mktemp("index"), rows) as opened:
        (group,) = rates(opened, definition="D6").groups
    assert "No reading error is known" in corrected_sentence(group)
    assert "What to expect without treatment is not known" in untreated_sentence(group)


def test_a_definition_of_several_parts_has_untreated_cases_alone_beside_it(reader: Reader) -> None:
    (group,) = rates(reader, definition="D7").groups
    assert (group.beside.expected, group.beside.corrected) == (None, None)
    (one,) = rates(reader).groups
    group = replace(group, counted=one.counted)
    assert "no growth reference tells of several parts" in untreated_sentence(group)
    assert "how their errors go together is not known" in corrected_sentence(group)


def test_of_an_answer_or_a_type_no_reading_error_is_allowed_for_and_that_is_said(reader: Reader) -> None:
    (group,) = rates(reader, definition="D5").groups
    assert group.counted.n
    assert "an answer or a type is counted" in corrected_sentence(group)
    assert "no growth reference tells of answers and types" in untreated_sentence(group)


def test_empty_columns_beside_the_shares_of_groups_are_explained(reader: Reader) -> None:
    assert not_told(rates(reader, by="sex").groups) == []
    (one, *_) = rates(reader, by="sex").groups
    empty = replace(one, favourable=None, beside=NOTHING_BESIDE)
    assert len(not_told([empty])) == 3
    assert not_told(rates(reader, by="sex", selection=Selection(filters={"sex": ("male",)})).groups) == []


def test_that_what_taking_another_film_adds_is_in_the_error_is_said(reader: Reader) -> None:
    (group,) = rates(reader).groups
    assert group.beside.corrected is not None
    taken = replace(group.beside, corrected=replace(group.beside.corrected, pairs=30, taken_again=12))
    said = corrected_sentence(replace(group, beside=taken))
    assert "by 30 records read or taken twice; 12 were taken twice" in said
    assert "is in no repeat" not in said


def test_heavy_tails_are_said_beside_the_corrected_share(reader: Reader) -> None:
    (group,) = rates(reader).groups
    assert f"held in {CORRECTED_HELD_WITH_HEAVY_TAILS:.0%} of trial runs only" in corrected_sentence(group)


def test_worse_and_better_stand_side_by_side_in_the_first_line(reader: Reader) -> None:
    (group,) = rates(reader).groups
    said = first_line(group)
    assert said.startswith(f"Worse {100 * group.adverse.n / 60:.1f}% (")
    assert group.favourable is not None
    assert f"; better {100 * group.favourable.n / 60:.1f}% (" in said
    assert f"; net {100 * (group.adverse.n - group.favourable.n) / 60:+.1f} points (".replace("-", "−") in said
    assert "untreated, expected" in said
    assert "reading error allowed for" in said
    assert beside_entries(group)[1].startswith(f"{100 * group.favourable.n / 60:.1f}% (")
    assert "(no interval)" not in beside_entries(group)[3]
    (together,) = rates(reader, definition="D7").groups
    assert beside_entries(together) == ("—",) * 5


def test_nobody_counted_has_nothing_beside_it(reader: Reader) -> None:
    (group,) = rates(reader, selection=Selection(filters={"sex": ("male",)})).groups
    assert beside_sentences(group) == []


def test_the_corrected_share_of_the_study_group_holds_the_planted_one(study: Study) -> None:
    truth = pl.read_parquet(study.exports / "answer-key" / "cases.parquet").filter(
        pl.col("kind") == "consecutive", pl.col("hidden") == "counted"
    )
    planted = float((truth["true_adjusted_deg"] >= 2.0).mean() or 0.0)
    with Reader.open(study.warehouse) as opened:
        (group,) = rates(opened).groups
        by = rates(opened, by="age_band").groups
    assert group.beside.corrected is not None
    share = group.beside.corrected.share
    assert share.n == group.counted.n
    assert share.interval is not None
    assert share.interval.low < planted < share.interval.high
    assert all(one.beside.expected and caution_text(one.beside.expected.source) for one in by if one.counted.n)
    assert sum(one.beside.corrected.share.n for one in by if one.beside.corrected) == group.counted.n
