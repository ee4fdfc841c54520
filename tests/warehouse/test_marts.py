"""Given rows in the store, expected rows in the published tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.cli import main
from tests.hand_made import key, load_rows, made_case, reader_of
from warehouse.marts.method_errors import method_errors
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.plans.covariates import ADJUSTABLE
from warehouse.questions.case_table import case_table
from warehouse.questions.shares import rates, rates_by
from warehouse.repeats.error_band import error_band
from warehouse.selection import WHOEVER, Selection
from warehouse.store.store import open_store
from warehouse.words.sentences import caution_text
from warehouse.words.shares import flow_sentence

PAIR = {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 34.0}


def case_row(reader: Reader, case: str) -> dict[str, Any]:
    return reader.connection.frame("select * from mart_cases where case_key = ?", [key(case)]).to_dicts()[0]


def outcome(reader: Reader, case: str, definition: str) -> tuple[str, str, float | None]:
    row = reader.connection.rows(
        "select mart_outcomes.status, step, value from mart_outcomes inner join mart_cases using (case_no)"
        " where case_key = ? and definition_id = ?",
        [key(case), definition],
    )[0]
    return row[0], row[1], row[2]


def one(tmp_path: Path, **fields: Any) -> Reader:
    return reader_of(tmp_path, [made_case("a", **fields)])


AGES = [
    (7.99, "under 8"),
    (8.0, "8-9"),
    (9.99, "8-9"),
    (10.0, "10-11"),
    (12.0, "12-13"),
    (14.0, "14-17"),
    (17.99, "14-17"),
    (18.0, "18 and over"),
    (90.0, "18 and over"),
    (None, None),
]
TEETH = [
    ("none", "none", "non-extraction"),
    ("14 24 34 44", "four_first_premolars", "extraction"),
    ("15 25 35 45", "four_second_premolars", "extraction"),
    ("14 24", "upper_first_premolars", "extraction"),
    ("14 24 35 45", "upper_first_lower_second", "extraction"),
    ("31", "single_lower_incisor", "extraction"),
    ("14", "other", "extraction"),
    ("18 28 38 48", "none", "non-extraction"),
    ("53 63", "none", "non-extraction"),
    ("14 18 24 34 44 55", "four_first_premolars", "extraction"),
    (None, None, None),
]
PLANES = [(27.0, "low"), (27.1, "average"), (36.9, "average"), (37.0, "high")]
"""Cut points: Chung and Mongiovi 2003, AJODO 124(6), abstract."""

ADULTS = [(17.0, -0.3), (18.0, 0.0), (40.0, 0.0)]
THRESHOLDS = [
    (32.0, 33.4, "adverse"),
    (32.0, 33.39, "not adverse"),
    (36.1, 37.5, "adverse"),
    (32.0, 30.0, "not adverse"),
]
STEPS: list[tuple[dict[str, Any], str]] = [
    ({"status": "in_treatment", "sn_gogn_deg_start": 32.0}, "in_treatment"),
    ({"status": "moved_away", **PAIR}, "moved_away"),
    ({"sn_gogn_deg_start": 32.0}, "no_finish_records"),
    ({"sn_gogn_deg_finish": 32.0}, "no_start_records"),
    ({"sn_gogn_deg_start": 32.0, "sna_deg_finish": 80.0}, "not_readable_finish"),
    ({"sna_deg_start": 80.0, "sn_gogn_deg_finish": 32.0}, "not_readable_start"),
    ({"sna_deg_start": 80.0, "sna_deg_finish": 80.0}, "not_measured"),
    ({"months_from_start_finish": None, **PAIR}, "interval_unknown"),
    ({"months_from_start_finish": 5.0, **PAIR}, "too_short"),
    ({"age_at_start": None, **PAIR}, "no_expected"),
    ({"gonion_kind_start": "constructed", "gonion_kind_finish": "anatomic", **PAIR}, "variant_differs"),
    ({"records_taken_finish": "no", "sn_gogn_deg_start": 32.0}, "no_finish_records"),
    (PAIR, "counted"),
]
DEFINITIONS: list[tuple[str, dict[str, Any], str]] = [
    ("D2", {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 34.0}, "adverse"),
    ("D2", {"sn_gogn_deg_start": 32.0, "sn_gogn_deg_finish": 33.9}, "not adverse"),
    ("D3", {"facial_axis_deg_start": 90.0, "facial_axis_deg_finish": 88.0}, "adverse"),
    ("D3", {"facial_axis_deg_start": 88.0, "facial_axis_deg_finish": 90.0}, "not adverse"),
    # girls of 11: 65.8 / 116.2 to 68.1 / 120.7 at 13 (Riolo et al. 1974), a fall of 0.2 points
    ("D4", {"lafh_direct_pct_start": 56.0, "lafh_direct_pct_finish": 57.0}, "adverse"),
    ("D4", {"lafh_direct_pct_start": 56.0, "lafh_direct_pct_finish": 56.8}, "adverse"),
    ("D4_V1", {"lafh_direct_pct_start": 56.0, "lafh_direct_pct_finish": 56.8}, "not adverse"),
    ("D4", {"lafh_direct_pct_start": 56.0, "lafh_direct_pct_finish": 56.7}, "not adverse"),
    ("D5", {"sn_gome_deg_start": 39.4, "sn_gome_deg_finish": 39.5}, "adverse"),
    ("D5", {"sn_gome_deg_start": 38.0, "sn_gome_deg_finish": 39.4}, "not adverse"),
    ("D5", {"sn_gome_deg_start": 29.5, "sn_gome_deg_finish": 40.0}, "not assessable"),
    ("D5_V2", {"sn_gome_deg_start": 36.0, "sn_gome_deg_finish": 37.0}, "adverse"),
    ("D5", {"sn_gogn_deg_start": 36.9, "sn_gogn_deg_finish": 37.0}, "adverse"),
    ("D5", {"sn_gogn_deg_start": 36.9, "sn_gogn_deg_finish": 36.0}, "not adverse"),
    ("D5", {"sn_gogn_deg_start": 37.0, "sn_gogn_deg_finish": 41.0}, "not assessable"),
    ("D5", {"sn_gogn_deg_start": 27.0, "sn_gogn_deg_finish": 38.0}, "not assessable"),
    ("D5_V1", {"sn_gogn_deg_start": 37.0, "sn_gogn_deg_finish": 41.0}, "not adverse"),
    ("D1", {"appliance": "surgery", **PAIR}, "not assessable"),
    ("D1_V1", {"appliance": "surgery", **PAIR}, "adverse"),
    ("D6", {"facial_index_pct_start": 86.0, "facial_index_pct_finish": 89.0}, "adverse"),
    ("A1", {"joint_symptoms_start": "no", "joint_symptoms_finish": "yes"}, "adverse"),
    ("A1", {"joint_symptoms_start": "no", "joint_symptoms_finish": "no"}, "not adverse"),
    ("A1", {"joint_symptoms_start": "yes", "joint_symptoms_finish": "yes"}, "not assessable"),
    ("A1", {"joint_symptoms_start": "not asked", "joint_symptoms_finish": "yes"}, "not assessable"),
    ("RC1", {"irregularity_mm_finish": 1.0, "irregularity_mm_follow_up": 3.0}, "adverse"),
    ("J1", {"sna_deg_start": 82.0, "sna_deg_finish": 80.0}, "adverse"),
    ("J2", {"snb_deg_start": 78.0, "snb_deg_finish": 76.5}, "not adverse"),
    ("F2", {"nose_tip_to_incisor_mm_start": 30.0, "nose_tip_to_incisor_mm_finish": 35.0}, "adverse"),
    ("D1", {"sn_gome_deg_start": 34.0, "sn_gome_deg_finish": 36.0}, "adverse"),
    ("D1", {"sn_gogn_deg_start": 32.0, "sn_gome_deg_finish": 39.0}, "not assessable"),
]


@pytest.fixture(scope="module")
def atlas(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    """One warehouse with every case of the lists above, named by list and position."""
    rows = [made_case(f"age {n}", age_at_start=age) for n, (age, _) in enumerate(AGES)]
    rows += [made_case(f"teeth {n}", extracted_teeth=teeth) for n, (teeth, _, _) in enumerate(TEETH)]
    rows += [made_case(f"plane {n}", sn_gogn_deg_start=plane) for n, (plane, _) in enumerate(PLANES)]
    rows += [made_case(f"adult {n}", age_at_start=age, **PAIR) for n, (age, _) in enumerate(ADULTS)]
    rows += [
        made_case(f"threshold {n}", sn_gogn_deg_start=before, sn_gogn_deg_finish=after)
        for n, (before, after, _) in enumerate(THRESHOLDS)
    ]
    rows += [made_case(f"step {n}", **fields) for n, (fields, _) in enumerate(STEPS)]
    rows += [made_case(f"definition {n}", **fields) for n, (_, fields, _) in enumerate(DEFINITIONS)]
    with reader_of(tmp_path_factory.mktemp("atlas"), rows) as reader:
        yield reader


@pytest.mark.parametrize(("n", "band"), [(n, band) for n, (_, band) in enumerate(AGES)])
def test_age_bands_are_closed_below(atlas: Reader, n: int, band: str | None) -> None:
    assert case_row(atlas, f"age {n}")["age_band"] == band


@pytest.mark.parametrize(("n", "pattern", "extraction"), [(n, *found) for n, (_, *found) in enumerate(TEETH)])
def test_extraction_patterns(atlas: Reader, n: int, pattern: str | None, extraction: str | None) -> None:
    row = case_row(atlas, f"teeth {n}")
    assert (row["extraction_pattern"], row["extraction"]) == (pattern, extraction)


@pytest.mark.parametrize(("n", "vertical_type"), [(n, found) for n, (_, found) in enumerate(PLANES)])
def test_vertical_type_at_start(atlas: Reader, n: int, vertical_type: str) -> None:
    assert case_row(atlas, f"plane {n}")["vertical_type_start"] == vertical_type


@pytest.mark.parametrize(("n", "expected"), [(n, found) for n, (_, found) in enumerate(ADULTS)])
def test_growth_ends_at_eighteen(atlas: Reader, n: int, expected: float) -> None:
    found = atlas.connection.value(
        "select sn_gogn_deg__expected from mart_spans inner join mart_cases using (case_no) where case_key = ?",
        [key(f"adult {n}")],
    )
    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("n", "status"), [(n, found) for n, (*_, found) in enumerate(THRESHOLDS)])
def test_d1_meets_its_threshold_exactly(atlas: Reader, n: int, status: str) -> None:
    # two years at -0.3: a rise of 1.4 is 2.0 against growth, and binary noise must not decide it
    assert outcome(atlas, f"threshold {n}", "D1")[0] == status


@pytest.mark.parametrize(("n", "step"), [(n, found) for n, (_, found) in enumerate(STEPS)])
def test_why_a_case_is_not_assessable(atlas: Reader, n: int, step: str) -> None:
    assert outcome(atlas, f"step {n}", "D1")[1] == step


@pytest.mark.parametrize(("n", "definition", "status"), [(n, d, s) for n, (d, _, s) in enumerate(DEFINITIONS)])
def test_each_definition(atlas: Reader, n: int, definition: str, status: str) -> None:
    assert outcome(atlas, f"definition {n}", definition)[0] == status


def test_appliances_first_sequence_ever_and_two_phase(tmp_path: Path) -> None:
    with one(tmp_path, appliance=["functional_removable", "fixed_labial"]) as reader:
        row = case_row(reader, "a")
    assert row["appliance_first"] == "functional_removable"
    assert row["appliance_sequence"] == "functional_removable > fixed_labial"
    assert row["appliance_ever"] == "fixed_labial + functional_removable"
    assert row["appliance_group"] == "two_phase"


def test_a_case_without_a_phase_has_no_appliance(tmp_path: Path) -> None:
    with reader_of(tmp_path, [made_case("a", appliance=None, **PAIR), made_case("b", **PAIR)]) as reader:
        row = case_row(reader, "a")
    assert (row["appliance_first"], row["appliance_sequence"], row["appliance_ever"]) == (None, None, None)


def test_growth_adjusted_change_by_constant_slopes(tmp_path: Path) -> None:
    # worked by hand: 9.0 to 12.0 years at -0.3 a year is -0.9; 26.0 -> 26.5 is +0.5 raw, +1.4 against growth
    with one(
        tmp_path, age_at_start=9.0, fma_deg_start=26.0, fma_deg_finish=26.5, months_from_start_finish=36.0
    ) as reader:
        row = reader.connection.frame("select * from mart_spans").to_dicts()[0]
    assert row["fma_deg__expected"] == pytest.approx(-0.9)
    assert row["fma_deg__after"] - row["fma_deg__before"] - row["fma_deg__expected"] == pytest.approx(1.4)


def test_two_of_three_is_decided_by_the_parts_at_hand(tmp_path: Path) -> None:
    worse = {"facial_axis_deg_start": 90.0, "facial_axis_deg_finish": 87.0}
    still = {"facial_axis_deg_start": 90.0, "facial_axis_deg_finish": 90.0}
    rows = [
        made_case("two signs", **PAIR, **worse),
        made_case("none of two", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=31.0, **still),
        made_case("one and open", **PAIR),
    ]
    with reader_of(tmp_path, rows) as reader:
        assert outcome(reader, "two signs", "D7")[0] == "adverse"
        assert outcome(reader, "none of two", "D7")[0] == "not adverse"
        assert outcome(reader, "one and open", "D7")[:2] == ("not assessable", "not_measured")


def test_every_case_has_one_row_for_every_definition(tmp_path: Path) -> None:
    rows = [made_case(str(number), **PAIR) for number in range(5)]
    with reader_of(tmp_path, rows) as reader:
        n_definitions = len(reader.registry.definitions)
        assert reader.connection.value("select count(*) from mart_outcomes") == 5 * n_definitions
        doubled = reader.connection.frame(
            "select case_no, definition_id from mart_outcomes group by all having count(*) > 1"
        )
    assert doubled.is_empty()


def test_progress_and_follow_up_are_spans_of_their_own(tmp_path: Path) -> None:
    fields = {f"overjet_mm_{time}": value for time, value in
              (("start", 7.0), ("progress", 9.0), ("finish", 3.0), ("follow_up", 4.0))}  # fmt: skip
    with one(tmp_path, **fields) as reader:
        found = reader.connection.frame("select span, overjet_mm__after - overjet_mm__before as change from mart_spans")
    assert dict(found.rows()) == {
        "start_to_progress": 2.0,
        "progress_to_finish": -6.0,
        "start_to_finish": -4.0,
        "finish_to_follow_up": 1.0,
    }


def test_the_first_reading_of_who_read_both_times_is_in_use(tmp_path: Path) -> None:
    # E1 (who read the wide file) read both times, E0 the start alone: the change is E1's and not E0 to E1
    load_rows(tmp_path, [made_case("a", **PAIR)])
    load_repeats(tmp_path, [("finish", "E1", 2, 35.0), ("finish", "E2", 1, 36.0), ("start", "E0", 1, 31.0)])
    with Reader.open(tmp_path) as reader:
        found = reader.connection.rows("select timepoint, sn_gogn_deg, examiner from mart_timeline order by timepoint")
        assert found == [("start", 32.0, "E1"), ("finish", 34.0, "E1")]
        assert rates(reader, definition="D2").groups[0].adverse.n == 1


def test_a_change_between_two_examiners_is_said_where_nobody_read_both(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", sn_gogn_deg_start=32.0, months_from_start_finish=24.0)])
    load_repeats(tmp_path, [("finish", "E2", 1, 36.0)])
    with Reader.open(tmp_path) as reader:
        (group,) = rates(reader, definition="D1_V1").groups
    said = [caution_text(caution) for caution in group.warnings]
    assert group.counted.n == 1
    assert any("1 case was read by different examiners" in one for one in said)


def test_a_first_phase_turned_away_is_not_known_and_never_the_second(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR), made_case("b", **PAIR)])
    with open_store(tmp_path) as store:
        store.execute("update phases set phase_no = 2 where case_no = (select min(case_no) from cases)")
        publish(tmp_path, store, again=True)
    with Reader.open(tmp_path) as reader:
        found = reader.connection.rows("select appliance_first, appliance_sequence, appliance_group from mart_cases")
    assert sorted(found, key=str) == [("fixed_labial",) * 3, (None, None, None)]


def test_outcomes_of_treatments_that_stopped_early_are_known_beside(tmp_path: Path) -> None:
    lost = {"stopped_early": PAIR, "no_return": {"sn_gogn_deg_start": 32.0}, "in_treatment": PAIR}
    rows = [made_case(status, status=status, **read) for status, read in lost.items()]
    load_rows(tmp_path, [*rows, made_case("done", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0)])
    with Reader.open(tmp_path) as reader:
        (group,) = rates(reader).groups
        (together,) = rates(reader, definition="D7").groups
    assert (group.counted.n, group.adverse.n) == (1, 0)
    # by hand: the finished case (0) and the one stopped early with both records (1); in treatment is not due
    assert group.beside.all_started is not None
    assert (group.beside.all_started.value, group.beside.all_started.n) == (0.5, 2)
    assert together.beside.all_started is None


POSTURE = """
[[definition]]
id = "M1"
version = "1.0.0"
label = "Mouth no longer closed"
sentence = "The mouth at rest was closed at the start and is open, or now and then, at the finish."
minimum_months = 0
source = "made"
[[definition.part]]
kind = "answer"
question = "mouth_posture"
before = ["closed"]
after = ["open", "mixed"]

[[definition]]
id = "M2"
version = "1.0.0"
label = "Facial index, photographs stated alike"
sentence = "The facial index rose by at least 3.0 points on photographs known to be taken alike."
source = "made"
[[definition.part]]
kind = "change"
measures = ["facial_index_pct"]
direction = "rise"
threshold = 3.0
photographs = "stated_alike"
"""


def test_posture_makes_a_definition_and_can_be_required_of_photographs(tmp_path: Path) -> None:
    seen = [("closed", "open"), ("closed", "mixed"), ("closed", "closed"), ("open", "closed"), ("mixed", "open")]
    rows = [made_case(f"m{n}", mouth_posture_start=a, mouth_posture_finish=b) for n, (a, b) in enumerate(seen)]
    index = {"facial_index_pct_start": 84.0, "facial_index_pct_finish": 88.0}
    alike = {"head_pose": "natural", "photo_lips": "relaxed", "teeth_together": "yes"}
    stated = {f"{name}_{time}": one for name, one in alike.items() for time in ("start", "finish")}
    rows += [
        made_case("stated", **index, **stated),
        made_case("unstated", **index),
        made_case("one end", **index, **(stated | {"photo_lips_finish": None})),
        made_case("differs", **index, **(stated | {"photo_lips_finish": "apart"})),
    ]
    load_rows(tmp_path / "w", rows)
    (tmp_path / "own.toml").write_text(POSTURE, encoding="utf-8")
    assert main(["definitions", "--warehouse", str(tmp_path / "w"), "--add", str(tmp_path / "own.toml")]) == 0
    with Reader.open(tmp_path / "w") as reader:
        (mouths,) = rates(reader, definition="M1").groups
        strict, usual = (
            {name: outcome(reader, name, one)[1] for name in ("stated", "unstated", "one end", "differs")}
            for one in ("M2", "D6")
        )
    assert mouths.favourable is not None
    assert mouths.favourable_of is not None
    assert (mouths.counted.n, mouths.adverse.n, mouths.favourable.n, mouths.favourable_of.n) == (3, 2, 1, 2)
    differs = "variant_differs"
    assert strict == {"stated": "counted", "unstated": differs, "one end": differs, "differs": differs}
    assert usual == {"stated": "counted", "unstated": "counted", "one end": "counted", "differs": differs}


@pytest.mark.parametrize(
    ("written", "instead", "expected"),
    [
        ('before = ["closed"]', 'before = ["shut"]', "closed, mixed, open"),
        ('before = ["closed"]', 'before = ["open"]', "each in one of them"),
        ('photographs = "stated_alike"', 'photographs = "yes"', "stated_alike"),
    ],
)
def test_answers_that_are_none_are_refused(tmp_path: Path, written: str, instead: str, expected: str) -> None:
    from warehouse.errors import DefinitionError
    from warehouse.outcomes.registry import parse_definitions

    with pytest.raises(DefinitionError) as refused:
        parse_definitions(POSTURE.replace(written, instead), where="own.toml")
    assert expected in str(refused.value)


@pytest.mark.parametrize(("definition", "counts"), [("A1", (2, 1, 2, 3)), ("D5", (2, 1, 1, 2))])
def test_new_stands_beside_resolved(tmp_path: Path, definition: str, counts: tuple[int, ...]) -> None:
    asked = [("no", "yes"), ("no", "no"), ("yes", "no"), ("yes", "no"), ("yes", "yes"), ("not asked", "no")]
    planes = [(36.0, 37.0), (36.0, 36.5), (38.0, 36.0), (38.0, 39.0), (26.0, 30.0)]
    rows = [made_case(f"a{n}", joint_symptoms_start=a, joint_symptoms_finish=b) for n, (a, b) in enumerate(asked)]
    rows += [made_case(f"d{n}", sn_gogn_deg_start=a, sn_gogn_deg_finish=b) for n, (a, b) in enumerate(planes)]
    load_rows(tmp_path, rows)
    with Reader.open(tmp_path) as reader:
        (group,) = rates(reader, definition=definition).groups
    counted, adverse, turned, of = counts
    assert group.favourable is not None
    assert group.favourable_of is not None
    assert group.net is not None
    assert (group.counted.n, group.adverse.n, group.favourable.n, group.favourable_of.n) == counts
    assert group.net.value == pytest.approx((adverse - turned) / (counted + of))
    assert group.missing.n == {"A1": 6, "D5": 6}[definition]


def test_earlier_versions_and_former_ids_are_still_found(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case("a", **PAIR)])
    with Reader.open(tmp_path) as reader:
        named = {asked: reader.definition(asked).name for asked in ("D1", "d1 v1.0.0", "D1_V1", "T1", "C1")}
        listed = [one.name for one in reader.registry]
    old = {"d1 v1.0.0": "D1 v1.0.0", "D1_V1": "D1 v1.0.0", "T1": "F1 v1.0.0", "C1": "RC1 v1.0.0"}
    assert named == old | {"D1": "D1 v2.0.0"}
    assert "D1 v2.0.0" in listed
    assert "D1 v1.0.0" not in listed


def load_repeats(folder: Path, readings: list[tuple[str, str, int, float]], cases: Sequence[str] = ("a",)) -> None:
    """Add the same readings from a tabular file to cases that are in the warehouse."""
    from pipelines.contract.delivery import Sorted
    from pipelines.ingest.loading import load
    from tests.hand_made import sorted_delivery
    from warehouse.marts.publish import publish
    from warehouse.store.store import open_store

    frame = pl.DataFrame(
        [
            {"row": n, "case_id": key(case), "timepoint": time, "examiner": who, "repeat_no": no, "sn_gogn_deg": value}
            for n, (case, (time, who, no, value)) in enumerate(product(cases, readings), start=2)
        ]
    )
    base = sorted_delivery([made_case(case) for case in cases], source="measurements.csv", salt=str(readings))
    from dataclasses import replace

    delivery = replace(base.delivery, layout="tabular", tables={"measurements": frame}, n_read=frame.height)
    tabular = Sorted(
        delivery=delivery,
        good={"readings": frame},
        turned_away=base.turned_away,
        remarks=base.remarks,
        n_good=frame.height,
        n_turned_away=0,
    )
    with open_store(folder) as store:
        load(store, [(tabular, f"repeats{readings}")], contract_version="1.0.0")
        publish(folder, store)


def test_own_repeats_widen_the_margin_of_the_first_d1_and_of_no_later_one(tmp_path: Path) -> None:
    # ten pairs that differ by 2.0 give Dahlberg sqrt(10*4/20) = 1.414, MDC95 3.92: a rise of 2.6 is within the error
    rows = [made_case(str(number), **PAIR) for number in range(10)]
    load_rows(tmp_path, rows)
    with Reader.open(tmp_path) as reader:
        assert outcome(reader, "0", "D1")[0] == "adverse"
    load_repeats(tmp_path, [("start", "E1", 2, 34.0)], [str(number) for number in range(10)])
    with Reader.open(tmp_path) as reader:
        error = reader.connection.frame("select * from mart_method_errors").to_dicts()[0]
        assert outcome(reader, "0", "D1_V1")[:2] == ("not adverse", "counted")
        assert outcome(reader, "0", "D1")[:2] == ("adverse", "counted")
    assert error["sem"] == pytest.approx(2.0**0.5)
    assert error["mdc95"] == pytest.approx(1.96 * 2.0)
    assert (error["n_pairs"], error["mean_difference"], error["is_used"]) == (10, -2.0, True)


def test_nine_pairs_are_too_few_to_use(tmp_path: Path) -> None:
    load_rows(tmp_path, [made_case(str(number), **PAIR) for number in range(9)])
    load_repeats(tmp_path, [("start", "E1", 2, 34.0)], [str(number) for number in range(9)])
    with Reader.open(tmp_path) as reader:
        assert reader.connection.value("select is_used from mart_method_errors") is False
        assert outcome(reader, "0", "D1")[0] == "adverse"


@pytest.mark.parametrize(("n_taken", "used"), [(10, True), (9, False)])
def test_films_taken_again_have_an_error_of_their_own_which_is_used_once_it_is_known(
    tmp_path: Path, n_taken: int, used: bool
) -> None:
    """Ten films read again differ by 1.0; of as many or one fewer another film was taken, which differs by 2.0."""
    load_rows(tmp_path, [made_case(str(number), **PAIR) for number in range(10)])
    load_repeats(tmp_path, [("start", "E1", 2, 33.0)], [str(number) for number in range(10)])
    load_repeats(tmp_path, [("start", "E1", 21, 34.0)], [str(number) for number in range(n_taken)])
    with Reader.open(tmp_path) as reader:
        rows = reader.connection.rows("select is_taken_again, n_pairs, sem, is_used from mart_method_errors order by 1")
        (group,) = rates(reader).groups
        band = error_band(reader, measure="sn_gogn_deg", selection=Selection())
    assert rows == [
        (False, 10, pytest.approx(0.5**0.5), not used),
        (True, n_taken, pytest.approx(2.0**0.5), used),
    ]
    assert group.beside.corrected is not None
    assert (group.beside.corrected.pairs, group.beside.corrected.taken_again) == (10, 10 if used else 0)
    assert band.mdc95 == pytest.approx(1.96 * (2.0 if used else 1.0))
    assert f"10 records {'read or taken' if used else 'read'} twice" in band.said


def test_two_films_of_one_adult_give_the_published_error_of_one_film_and_reading() -> None:
    # PMC9700941, abstract: SNA of two films of 100 adults differs by 0.00 with SD 1.85, so that one has 1.31
    sums = {"n_pairs": [100], "sum_difference": [0.0], "sum_squares": [100 * 1.85**2], "sum_fourths": [1.0]}
    keys = {"practice": ["A"], "measure": ["sna_deg"], "is_taken_again": [True]}
    assert method_errors(pl.DataFrame(keys | sums))["sem"][0] == pytest.approx(1.31, abs=0.005)


def test_an_empty_warehouse_still_publishes(tmp_path: Path) -> None:
    from warehouse.marts.publish import publish
    from warehouse.store.store import open_store

    with open_store(tmp_path, create=True) as store:
        publish(tmp_path, store)
    with Reader.open(tmp_path) as reader:
        assert reader.connection.value("select count(*) from mart_cases") == 0
        assert reader.connection.value("select count(*) from mart_outcomes") == 0


RECORDED: list[tuple[str, dict[str, Any], str]] = [
    ("molar_class", {"molar_class": "II"}, "II"),
    ("dentition_stage", {"dentition_stage": "early_mixed"}, "early_mixed"),
    ("lip_posture", {"mouth_posture_start": "open"}, "open"),
    ("breathing", {"breathing_start": "mouth"}, "mouth"),
    ("sleep_concern", {"sleep_breathing_concern_start": "yes"}, "yes"),
    ("habits", {"habits": "digit"}, "digit"),
    ("arch", {}, "not known"),
    ("skeletal_anchorage", {}, "not recorded as used"),
    ("wear", {"wear_reported": "poor"}, "poor"),
    ("earlier_treatment", {"earlier_treatment": "yes"}, "yes"),
    ("retention_regime", {"retention_regime": "fixed"}, "fixed"),
]
"""Variable, what is recorded, and the group it makes."""


def test_what_is_recorded_groups_filters_and_can_be_adjusted_for(tmp_path: Path) -> None:
    recorded = {column: value for _, given, _ in RECORDED for column, value in given.items()}
    with reader_of(tmp_path, [made_case("a", **recorded, **PAIR), made_case("b", **PAIR)]) as reader:
        for name, given, group in RECORDED:
            (result,) = rates_by(reader, (name,))
            assert group in {row.group for row in result.groups}
            chosen = rates(reader, selection=Selection(filters={name: (group,)}))
            assert chosen.groups[0].started.n == (1 if given else 2)
            assert case_table(reader, reader.definition(), Selection(), columns=[name]).height == 2
            assert ADJUSTABLE[name].name == name


def test_cases_with_a_cleft_or_a_syndrome_are_left_out_and_counted(tmp_path: Path) -> None:
    rows = [made_case(one, cleft_or_syndrome=one, **PAIR) for one in ("cleft", "syndrome", "both", "none")]
    with reader_of(tmp_path, [*rows, made_case("not recorded", **PAIR)]) as reader:
        headline = rates(reader)
        assert (headline.groups[0].started.n, headline.flow.set_apart.n) == (2, 3)
        assert "With a cleft or a syndrome, left out unless asked for: 3 cases." in flow_sentence(headline.flow)
        asked = rates(reader, selection=Selection(filters={"cleft_or_syndrome": ("cleft", "both")}))
        assert (asked.groups[0].started.n, asked.flow.set_apart.n) == (2, 0)
        assert rates(reader, selection=Selection(filters=WHOEVER)).groups[0].started.n == 5


@pytest.mark.parametrize(
    ("start", "finish", "step"),
    [
        ({"teeth_together": "yes"}, {"teeth_together": "yes"}, "counted"),
        ({"teeth_together": "yes"}, {"teeth_together": "no"}, "variant_differs"),
        ({"head_pose": "natural"}, {"head_pose": "held"}, "variant_differs"),
        ({"photo_lips": "relaxed"}, {"photo_lips": "apart"}, "variant_differs"),
        ({"photo_lips": "relaxed"}, {}, "counted"),
    ],
)
def test_photographs_taken_in_different_ways_are_not_compared(
    tmp_path: Path, start: dict[str, str], finish: dict[str, str], step: str
) -> None:
    said = {f"{name}_start": one for name, one in start.items()} | {
        f"{name}_finish": one for name, one in finish.items()
    }
    with one(tmp_path, facial_index_pct_start=86.0, facial_index_pct_finish=90.0, **PAIR, **said) as reader:
        found = dict(reader.connection.rows("select definition_id, step from mart_outcomes"))
    assert (found["D6"], found["D1"]) == (step, "counted")  # the film is another matter
