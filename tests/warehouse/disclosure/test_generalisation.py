"""The generalisation found is the one of least loss that meets the demand: compared with trying every combination."""

from __future__ import annotations

from itertools import product

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.warehouse.disclosure.ordered import ordered
from warehouse.disclosure.anonymise import Anonymised, anonymise
from warehouse.disclosure.assessment import assess
from warehouse.disclosure.hierarchy import ANY, Hierarchy
from warehouse.errors import RequestError
from warehouse.words.sentences import caution_text

AGES = ["8-9", "10-11", "12-13", "14-17"]
AGE = ordered("age", AGES, 2)
SEX = Hierarchy.of_categories("sex", ["F", "M"])
CLASS = Hierarchy.of_categories("incisor", ["I", "II/1", "II/2", "III"], {"II": ["II/1", "II/2"]})
ALL = [AGE, SEX, CLASS]


def cohort(seed: int, rows: int) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    return pl.DataFrame(
        {
            "age": rng.choice(AGES, rows, p=[0.4, 0.35, 0.2, 0.05]),
            "sex": rng.choice(["F", "M"], rows, p=[0.6, 0.4]),
            "incisor": rng.choice(["I", "II/1", "II/2", "III"], rows, p=[0.3, 0.45, 0.15, 0.1]),
            "outcome": rng.choice(["adverse", "not adverse"], rows, p=[0.25, 0.75]),
            "months": rng.integers(12, 40, rows),
        }
    )


def generalised(frame: pl.DataFrame, node: tuple[int, ...]) -> pl.DataFrame:
    return frame.with_columns(
        pl.Series(one.name, [one.levels[level][value] for value in frame[one.name]], dtype=pl.String)
        for one, level in zip(ALL, node, strict=True)
    )


def mean_loss(frame: pl.DataFrame, node: tuple[int, ...]) -> float:
    losses = [
        np.mean([one.penalty(level)[value] for value in frame[one.name]]) for one, level in zip(ALL, node, strict=True)
    ]
    return float(np.mean(losses))


def every_node() -> list[tuple[int, ...]]:
    return list(product(*(range(len(one.levels)) for one in ALL)))


@given(st.integers(0, 10_000), st.integers(8, 150), st.integers(2, 6), st.integers(1, 2))
@settings(max_examples=20, deadline=None)
def test_nothing_better_exists_when_every_row_is_kept(seed: int, rows: int, k: int, values: int) -> None:
    frame = cohort(seed, rows)
    quasi = [one.name for one in ALL]
    meeting = [
        mean_loss(frame, node)
        for node in every_node()
        if assess(generalised(frame, node), quasi=quasi, sensitive=["outcome"]).meets(k=k, l=values)
    ]
    found = anonymise(frame, ALL, k=k, l=values, sensitive=["outcome"])
    assert (found.frame is None) == (not meeting)
    if found.frame is not None:
        assert found.loss == pytest.approx(min(meeting), abs=1e-9)
        assert found.after.meets(k=k, l=values)
        assert found.frame.equals(generalised(frame, tuple(found.levels.values())))


def test_rows_already_anonymous_are_left_as_they_are() -> None:
    frame = pl.concat([cohort(1, 1).with_columns(outcome=pl.Series([one])) for one in ("adverse", "not adverse") * 3])
    found = anonymise(frame, ALL, k=3, l=2, sensitive=["outcome"])
    assert found.loss == 0
    assert found.changes == ()
    assert found.frame.equals(frame)


def test_what_was_changed_is_said_in_sentences() -> None:
    found = anonymise(cohort(3, 60), ALL, k=12, l=2, sensitive=["outcome"])
    assert all(sentence.startswith(("age", "sex", "incisor")) for sentence in found.changes)
    assert any("is dropped" in sentence or "is merged to" in sentence for sentence in found.changes)


def test_of_one_lone_case_the_variable_is_dropped() -> None:
    frame = pl.DataFrame({"age": ["8-9"] * 20 + ["14-17"], "outcome": ["adverse", "not adverse"] * 10 + ["adverse"]})
    merging = anonymise(frame, [AGE], k=5)
    assert merging.frame.height == frame.height
    assert set(merging.frame["age"]) == {ANY}


def test_no_allowed_generalisation_is_said_in_words() -> None:
    fixed = Hierarchy("age", tuple(AGES), ({band: band for band in AGES},))
    found = anonymise(cohort(2, 30), [fixed], k=25)
    assert found.frame is None
    assert found.after is None
    assert "contribute counts instead" in caution_text(found.warnings[0])
    one_outcome = cohort(2, 30).with_columns(outcome=pl.lit("adverse"))
    assert anonymise(one_outcome, ALL, k=2, l=2, sensitive=["outcome"]).frame is None
    assert "no case to contribute" in caution_text(anonymise(cohort(2, 1).clear(), ALL, k=2).warnings[0])


def test_weights_say_what_should_be_kept_finest() -> None:
    frame = pl.DataFrame({"age": ["8-9", "8-9", "10-11", "10-11"], "incisor": ["II/1", "II/2", "II/1", "II/2"]})
    keep_age = anonymise(frame, [AGE, CLASS], k=2, weights={"age": 5})
    keep_class = anonymise(frame, [AGE, CLASS], k=2, weights={"incisor": 5})
    assert keep_age.levels == {"age": 0, "incisor": 1}
    assert keep_class.levels == {"age": 1, "incisor": 0}


def test_much_lost_detail_is_flagged() -> None:
    found = anonymise(cohort(7, 12), ALL, k=12)
    assert found.loss == 1
    assert any("counts only may serve" in caution_text(caution) for caution in found.warnings)


def test_missing_values_are_a_value_to_be_declared() -> None:
    frame = pl.DataFrame({"sex": ["F", "F", None, None], "outcome": ["a", None, None, "b"]})
    declared = Hierarchy.of_categories("sex", ["F", "M", "missing"])
    found = anonymise(frame, [declared], k=2, sensitive=["outcome"])
    assert found.frame["sex"].to_list() == ["F", "F", "missing", "missing"]
    with pytest.raises(RequestError, match="2 row"):
        anonymise(frame, [SEX], k=2)


def test_whole_numbers_can_be_generalised_as_years() -> None:
    years = ordered("year", [str(year) for year in range(2018, 2024)], 2)
    frame = pl.DataFrame({"year": [2018, 2019, 2020, 2021, 2022, 2023]})
    found = anonymise(frame, [years], k=2)
    assert sorted(set(found.frame["year"])) == ["2018 to 2019", "2020 to 2021", "2022 to 2023"]


def test_rows_in_another_order_get_the_same_levels() -> None:
    frame = cohort(11, 80)
    first = anonymise(frame, ALL, k=6, l=2, sensitive=["outcome"])
    again = anonymise(frame.reverse(), ALL, k=6, l=2, sensitive=["outcome"])
    assert first.levels == again.levels
    assert first.loss == again.loss


def test_pruning_judges_fewer_combinations_than_there_are() -> None:
    found = anonymise(cohort(13, 40), ALL, k=10)
    whole = found.judged
    pairs_and_singles = 3 + 2 + 3 + 3 * 2 + 3 * 3 + 2 * 3
    assert isinstance(found, Anonymised)
    assert whole < pairs_and_singles + len(every_node())


def test_without_quasi_identifiers_only_the_number_of_rows_counts() -> None:
    assert anonymise(cohort(1, 9), [], k=9).frame is not None
    assert anonymise(cohort(1, 8), [], k=9).frame is None


def test_demands_without_meaning_are_refused() -> None:
    with pytest.raises(RequestError, match="k = 0"):
        anonymise(cohort(1, 9), ALL, k=0)
    with pytest.raises(RequestError, match="cannot be used"):
        anonymise(cohort(1, 9), [AGE, AGE], k=2)
    with pytest.raises(RequestError, match="height"):
        anonymise(cohort(1, 9), [Hierarchy.of_categories("height", ["a", "b"])], k=2)
