"""How surely single cases went adverse."""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

import pytest
from scipy.stats import norm

from tests.conftest import Study
from tests.hand_made import key, made_case, reader_of
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.questions.case_export import case_sureties

DEFAULT_ERROR = 0.8
"""Of SN-GoGn in the catalogue."""


def case(name: str, finish: float, **fields: object) -> dict[str, object]:
    return made_case(name, sn_gogn_deg_start=32.0, sn_gogn_deg_finish=finish, **fields)


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    rows = [
        case("risen", 34.0),
        case("at", 33.4),
        case("fallen", 30.0),
        case("adult", 35.0, age_at_start=30.0),
        made_case("other", sn_gome_deg_start=34.0, sn_gome_deg_finish=38.0),
        made_case("axis", facial_axis_deg_start=90.0, facial_axis_deg_finish=87.0),
        made_case("index", facial_index_pct_start=84.0, facial_index_pct_finish=88.0),
        case("unsettled", 36.0, status="in_treatment"),
    ]
    with reader_of(tmp_path_factory.mktemp("surety"), rows) as opened:
        yield opened


def probabilities(reader: Reader, definition: str | None = None) -> dict[str, dict[str, object]]:
    names = {key(name): name for name in ("risen", "at", "fallen", "adult", "other", "axis", "index")}
    rows = case_sureties(reader, reader.definition(definition)).to_dicts()
    return {names[row["case_key"]]: row for row in rows}


def test_the_error_of_the_catalogue_is_the_one_this_file_takes() -> None:
    assert CATALOGUE["sn_gogn_deg"].method_error is not None
    assert CATALOGUE["sn_gogn_deg"].method_error.sem == DEFAULT_ERROR


def test_probability_of_a_case_worked_out_by_hand(reader: Reader) -> None:
    # a girl of 11 over two years: raw +2.0, ordinary growth -0.6, so 2.6 against a threshold of 2.0; two readings of
    # error 0.8, growth that differs by 0.64 a year between children: sd = sqrt(2 x 0.64 + 1.28^2)
    found = probabilities(reader)["risen"]
    assert found["change"] == pytest.approx(2.6)
    assert found["growth_sd"] == pytest.approx(1.28)
    assert found["probability"] == pytest.approx(norm.cdf(0.6 / sqrt(1.28 + 1.28**2)))


def test_a_change_at_the_threshold_is_as_likely_beyond_it_as_not(reader: Reader) -> None:
    assert probabilities(reader)["at"]["probability"] == pytest.approx(0.5, abs=1e-6)


def test_an_adult_s_growth_adds_no_doubt(reader: Reader) -> None:
    found = probabilities(reader)["adult"]
    assert found["growth_sd"] == 0.0
    assert found["probability"] == pytest.approx(norm.cdf(1.0 / sqrt(1.28)))


def test_the_measure_that_was_used_gives_the_error(reader: Reader) -> None:
    assert probabilities(reader)["other"]["measure"] == "sn_gome_deg"
    assert probabilities(reader)["risen"]["measure"] == "sn_gogn_deg"


def test_a_fall_that_is_adverse_counts_upwards(reader: Reader) -> None:
    found = probabilities(reader, "D3")["axis"]
    assert found["change"] == pytest.approx(3.0)
    assert found["is_adverse"] is True
    error = CATALOGUE["facial_axis_deg"].method_error
    if error is None:
        assert found["probability"] is None
    else:
        assert found["probability"] == pytest.approx(norm.cdf(1.0 / sqrt(2 * error.sem**2 + 0.7**2)))


def test_without_a_known_error_a_case_has_no_probability(reader: Reader) -> None:
    assert CATALOGUE["facial_index_pct"].method_error is None
    assert probabilities(reader, "D6")["index"]["probability"] is None


def test_a_raw_change_has_no_doubt_of_growth(reader: Reader) -> None:
    found = probabilities(reader, "D2")["risen"]
    assert (found["change"], found["growth_sd"]) == (pytest.approx(2.0), 0.0)


def test_only_counted_cases_have_a_probability(reader: Reader) -> None:
    assert set(probabilities(reader)) == {"risen", "at", "fallen", "adult", "other"}


def test_a_definition_of_several_parts_has_no_probability(reader: Reader) -> None:
    assert case_sureties(reader, reader.definition("D7")).is_empty()


def test_the_practice_s_own_error_is_used_where_there_is_one(study: Study) -> None:
    with Reader.open(study.warehouse) as opened:
        own = {
            (practice, measure): sem
            for practice, measure, sem in opened.connection.rows(
                "select practice, measure, sem from mart_method_errors where is_used"
            )
        }
        frame = case_sureties(opened, opened.definition())
    used = {(row["practice"], row["measure"]): row["error_sd"] for row in frame.to_dicts()}
    assert any(name in own for name in used)
    for name, sem in used.items():
        assert sem == pytest.approx(own.get(name, DEFAULT_ERROR))
