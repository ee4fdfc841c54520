"""Contradictions between measures are found, and the likely cause is named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
import pytest

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.plausibility import PLAUSIBILITY_RULES, check_plausibility, tolerance_of

if TYPE_CHECKING:
    from collections.abc import Callable

    Points = dict[str, tuple[float, float]]
    Values = dict[str, float | None]

PAR = {
    "par_upper_anterior_points": 6.0,
    "par_lower_anterior_points": 5.0,
    "par_buccal_points": 3.0,
    "par_overjet_score": 3.0,
    "par_overbite_score": 2.0,
    "par_centreline_score": 1.0,
    "par_uk_points": 40.0,
}


@pytest.fixture
def sound(values: Callable[..., Values], g1: Points) -> dict[str, float]:
    measured = {code: value for code, value in values(g1).items() if value is not None}
    return {**measured, **PAR}


def _check(values: dict[str, float | None], **options: float) -> dict[str, str]:
    wide = pl.DataFrame({"case_id": ["c1"], "timepoint": ["start"], **{code: [v] for code, v in values.items()}})
    found = check_plausibility(wide, **options)
    return dict(zip(found["rule"], found["likely_cause"], strict=True))


def test_a_sound_face_breaks_no_rule_even_without_slack(sound: dict[str, float]) -> None:
    assert _check(sound, tolerance_per_value=1e-9) == {}


def test_values_read_to_the_nearest_degree_break_no_rule(sound: dict[str, float]) -> None:
    assert _check({code: float(round(value)) for code, value in sound.items()}) == {}


@pytest.mark.parametrize(
    ("change", "rule", "cause"),
    [
        ({"sn_pp_deg": -6.52}, "M-I1", "the sign of SN-PP was lost"),
        ({"mmpa_deg": 31.947 - 6.52}, "M-I1", "MMPA was measured to gnathion"),
        ({"mmpa_deg": 40.0}, "M-I1", "ANS, PNS, Go or Me misplaced at one of the angles"),
        ({"bjork_sum_deg": 391.947}, "M-I2", "the gonial angle was measured to gnathion"),
        ({"bjork_sum_deg": 380.0}, "M-I2", "Ar, Go or Me misplaced at one of the angles"),
        ({"u1_sn_deg": 180 - 104.851, "interincisal_deg": 180 - 125.606}, "M-I3", "U1T and U1A look swapped"),
        ({"impa_deg": 180 - 93.279, "interincisal_deg": 180 - 125.606}, "M-I3", "L1T and L1A look swapped"),
        ({"u1_sn_deg": 180 - 104.851}, "M-I3", "U1-SN was read on the other side of the tooth"),
        ({"impa_deg": 180 - 93.279}, "M-I3", "IMPA was read on the other side of the tooth"),
        ({"impa_deg": 93.279 + 36.265 - 31.947}, "M-I3", "IMPA was measured to gnathion"),
        ({"interincisal_deg": 150.0}, "M-I3", "an incisor tip or apex, Go or Me misplaced at one of the angles"),
        ({"anb_deg": 6.0}, "M-I4", "A, B or N misplaced at one of the angles"),
        ({"lafh_direct_pct": 54.386}, "M-I5", "the column holds the perpendicular share"),
        ({"pfh_mm": 60.0}, "M-I6", "S, Go, N or Me misplaced, or the two lengths of different enlargement"),
        ({"par_uk_points": 36.0}, "M-I7", "the total was made with the US weights"),
        ({"par_uk_points": 41.0}, "M-I7", "a component or the total is wrong"),
        ({"sn_gogn_deg": 36.265, "sn_gome_deg": 31.947}, "M-O1", None),
        ({"lafh_mm": 116.5, "tafh_mm": 66.5}, "M-O2", None),
        ({"sn_pp_deg": -173.5, "mmpa_deg": -150.3}, "M-O3", "PNS and ANS look swapped"),
        ({"sn_pp_deg": -173.5}, "M-O3", "S and N look swapped"),
        ({"mmpa_deg": -150.3}, "M-O3", "Go and Me look swapped"),
        ({"fma_deg": -151.8, "sn_gome_deg": -143.7}, "M-O4", "Go and Me look swapped"),
        ({"fma_deg": -151.8}, "M-O4", "Po and Or look swapped"),
        ({"sn_gome_deg": -143.7}, "M-O4", "S and N look swapped"),
        ({"interincisal_deg": 54.4, "u1_sn_deg": 75.1}, "M-O5", "U1T and U1A look swapped"),
        ({"interincisal_deg": 54.4}, "M-O5", "L1T and L1A look swapped"),
        ({"anb_deg": -4.2, "wits_mm": -2.9, "overjet_mm": 6.0}, "M-O6", "A and B look swapped"),
        ({"overjet_mm": -3.3, "overbite_mm": -1.5}, "M-O7", "U1T and L1T look swapped"),
    ],
)
def test_a_contradiction_is_found_and_explained(
    sound: dict[str, float], change: dict[str, float], rule: str, cause: str | None
) -> None:
    found = _check({**sound, **change})
    assert rule in found
    if cause is not None:
        assert found[rule] == cause


def test_swapped_columns_of_the_jaws_are_named(sound: dict[str, float]) -> None:
    found = _check({**sound, "sna_deg": 76.2, "snb_deg": 80.4})
    assert found == {
        "M-I4": "A and B look swapped, SNA and SNB stand in each other's column, or the sign of ANB was lost"
    }


def test_null_and_absent_measures_are_passed_over(sound: dict[str, float]) -> None:
    assert _check({**sound, "anb_deg": None, "sn_pp_deg": float("nan")}) == {}
    assert _check({"anb_deg": 30.0}) == {}
    assert _check({"sna_deg": 80.0, "snb_deg": 76.0, "anb_deg": 30.0}) == {
        "M-I4": "A, B or N misplaced at one of the angles"
    }


def test_a_cause_that_needs_an_absent_measure_is_not_named(sound: dict[str, float]) -> None:
    without = {code: value for code, value in sound.items() if code != "sn_gogn_deg"}
    assert _check({**without, "bjork_sum_deg": 391.947})["M-I2"] == "Ar, Go or Me misplaced at one of the angles"


def test_the_result_names_row_difference_and_tolerance(sound: dict[str, float]) -> None:
    wide = pl.DataFrame(
        {"case_id": ["a", "b", "c"], "timepoint": ["start"] * 3, "sna_deg": [80.0] * 3, "snb_deg": [76.0] * 3}
    ).with_columns(anb_deg=pl.Series([4.0, 5.5, 5.6]))
    found = check_plausibility(wide)
    assert found.columns == ["case_id", "timepoint", "rule", "sentence", "difference", "tolerance", "likely_cause"]
    assert found["case_id"].to_list() == ["c"]
    assert found["difference"].item() == pytest.approx(1.6)
    assert found["tolerance"].item() == 1.5
    assert check_plausibility(wide.clear()).height == 0


def test_nothing_to_check_gives_an_empty_frame_of_the_same_shape() -> None:
    wide = pl.DataFrame({"case_id": ["a"], "timepoint": ["start"]})
    found = check_plausibility(wide)
    assert found.height == 0
    assert found.columns == ["case_id", "timepoint", "rule", "sentence", "difference", "tolerance", "likely_cause"]


def test_rule_ids_are_unique_and_their_measures_known() -> None:
    ids = [rule.id for rule in PLAUSIBILITY_RULES]
    assert len(ids) == len(set(ids))
    for rule in PLAUSIBILITY_RULES:
        assert set(rule.codes) <= set(CATALOGUE)
        assert rule.sentence.endswith(".")
        assert (rule.difference is None) == (tolerance_of(rule) is None)
        assert (rule.difference is None) != (rule.broken is None)
