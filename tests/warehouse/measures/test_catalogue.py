"""The catalogue holds every measure of the contract, soundly described."""

from __future__ import annotations

import subprocess
import sys

import pytest

from warehouse.errors import DefinitionError
from warehouse.measures.catalogue import CATALOGUE, Catalogue, measure
from warehouse.measures.formulae import WeightedTotal
from warehouse.measures.landmarks import ALIASES, LANDMARKS, VIEWS
from warehouse.measures.measure import FAMILIES, UNITS

CONTRACT = [
    "sn_gogn_deg",
    "sn_gome_deg",
    "sn_tangent_deg",
    "fma_deg",
    "fma_tangent_deg",
    "y_axis_fh_deg",
    "y_axis_sn_deg",
    "facial_axis_deg",
    "sn_pp_deg",
    "mmpa_deg",
    "gonial_deg",
    "bjork_sum_deg",
    "jarabak_pct",
    "lafh_mm",
    "tafh_mm",
    "pfh_mm",
    "lafh_direct_pct",
    "lafh_perpendicular_pct",
    "sna_deg",
    "snb_deg",
    "anb_deg",
    "wits_mm",
    "ans_forward_mm",
    "ans_down_mm",
    "chin_forward_mm",
    "chin_down_mm",
    "u1_sn_deg",
    "u1_pp_deg",
    "impa_deg",
    "interincisal_deg",
    "overjet_mm",
    "overbite_mm",
    "nose_tip_to_incisor_mm",
    "facial_index_pct",
    "lower_third_pct",
    "nasolabial_deg",
    "par_uk_points",
    "irregularity_mm",
    "lip_gap_mm",
    "par_upper_anterior_points",
    "par_lower_anterior_points",
    "par_buccal_points",
    "par_overjet_score",
    "par_overbite_score",
    "par_centreline_score",
]
ENDINGS = {"degrees": "_deg", "mm": "_mm", "percent": "_pct", "points": ("_points", "_score")}


def test_every_code_of_the_contract_is_there_and_no_other() -> None:
    assert sorted(CATALOGUE) == sorted(CONTRACT)


@pytest.mark.parametrize("code", CONTRACT)
def test_each_measure_is_soundly_described(code: str) -> None:
    entry = measure(code)
    assert entry.code == code
    assert entry.unit in UNITS
    assert code.endswith(ENDINGS[entry.unit])
    assert entry.family in FAMILIES
    assert entry.plausible[0] <= entry.usual[0] < entry.usual[1] <= entry.plausible[1]
    assert entry.definition.endswith(".")
    assert entry.label
    assert entry.up_means
    assert entry.source


@pytest.mark.parametrize("code", CONTRACT)
def test_a_norm_lies_in_the_usual_range_and_names_its_source(code: str) -> None:
    entry = measure(code)
    for norm in filter(None, (entry.norm, *entry.other_norms)):
        assert entry.usual[0] < norm.mean < entry.usual[1]
        assert norm.source
    if entry.method_error is not None:
        assert 0.0 < entry.method_error.sem < entry.usual[1] - entry.usual[0]
        assert entry.method_error.source


@pytest.mark.parametrize("code", CONTRACT)
def test_the_sign_agrees_with_what_a_rise_means(code: str) -> None:
    entry = measure(code)
    assert {"longer face": 1, "shorter face": -1}.get(entry.up_means, 0) == entry.sign


@pytest.mark.parametrize("code", CONTRACT)
def test_a_formula_uses_known_landmarks_seen_in_its_views(code: str) -> None:
    entry = measure(code)
    if entry.formula is None:
        assert entry.views == ()
    elif isinstance(entry.formula, WeightedTotal):
        assert set(entry.formula.codes) <= set(CATALOGUE)
    else:
        assert entry.views
        assert set(entry.views) <= set(VIEWS)
        for point in entry.formula.points:
            assert set(entry.views) <= set(LANDMARKS[point].views)


def test_only_lengths_from_points_need_a_scale() -> None:
    needing = {code for code, entry in CATALOGUE.items() if entry.needs_scale}
    assert needing == {code for code, entry in CATALOGUE.items() if entry.unit == "mm" and entry.views}


def test_scores_are_whole_numbers() -> None:
    assert measure("par_uk_points").integer_valued
    assert not measure("fma_deg").integer_valued


def test_the_facial_axis_falls_where_the_face_grows_longer() -> None:
    assert measure("facial_axis_deg").sign == -1
    assert measure("sn_gogn_deg").sign == 1
    assert measure("jarabak_pct").sign == -1
    assert measure("sn_pp_deg").sign == 0


def test_an_unknown_code_is_answered_with_near_ones() -> None:
    with pytest.raises(DefinitionError, match="did you mean sn_gogn_deg"):
        measure("sn_gogn")
    with pytest.raises(KeyError):
        CATALOGUE["sn_gogn"]


def test_a_code_far_from_all_others_still_gets_advice() -> None:
    with pytest.raises(DefinitionError, match="choose one of the listed codes"):
        measure("xyzzy")


def test_a_measure_cannot_be_defined_twice() -> None:
    with pytest.raises(DefinitionError, match="'fma_deg' is defined twice"):
        Catalogue([*CATALOGUE.values(), measure("fma_deg")])


def test_soft_menton_has_an_alias() -> None:
    assert ALIASES["Me'"] == "Gn'"
    assert set(LANDMARKS) >= {"S", "N", "Gn", "Gn'"}


def test_importing_the_catalogue_loads_no_array_or_table_library() -> None:
    code = (
        "import sys; import warehouse.measures.catalogue; "
        "print([name for name in ('numpy', 'polars', 'scipy', 'duckdb') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
