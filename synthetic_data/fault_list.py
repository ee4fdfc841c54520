"""One fault for each rule that is written out: cells that cannot be read, contradictions within and across rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from synthetic_data.fault_kinds import TABULAR, Layout, PlantedFault, in_cells, in_values
from synthetic_data.faulty_case import VALUES, FaultyCase, Spot

if TYPE_CHECKING:
    import numpy as np

    from synthetic_data.fault_kinds import Plant

DATED: tuple[Layout, ...] = ("dated",)
MIXED: tuple[Layout, ...] = ("mixed",)
ANGLES = ("sn_gome_deg", "u1_sn_deg", "interincisal_deg", "impa_deg")
PAR = (
    "par_upper_anterior_points",
    "par_lower_anterior_points",
    "par_buccal_points",
    "par_overjet_score",
    "par_overbite_score",
    "par_centreline_score",
    "par_uk_points",
)


def _unknown_measure(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    row = case.read("finish", sn_gogn_deg="31.6")
    row["measure"] = "sn_goge_deg"
    return [Spot("measurements", row, "measure")]


def _half_a_phase(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.phase["phase_no"] = "1.5"
    return [Spot("phases", case.phase, "phase_no")]


def _no_start_date(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.case["start_date"] = None
    return [Spot("visits", case.visit("finish"), "date")]


def _further_phase(number: str, begin: str, months: str, *, column: str, first: str = "0", finish: str = "") -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        case.phase.update(months_from_start=first, months_duration="12")
        if finish:
            case.visit("finish")["months_from_start"] = finish
        return [Spot("phases", case.add_phase(number, begin, months), column)]

    return plant


def _visit_out_of_order(timepoint: str, months: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        return [Spot("visits", case.add_visit(timepoint, months), "months_from_start")]

    return plant


def _other_kind(column: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        case.visit("start")[column] = "anatomic"
        case.visit("finish")[column] = "constructed" if column == "gonion_kind" else "machine"
        return [Spot("visits", case.visit("finish"), column)]

    return plant


def _other_enlargement(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.visit("start")["magnification_pct"] = "8"
    case.visit("finish")["magnification_pct"] = "10" if rng.random() < 0.5 else None
    return [Spot("visits", case.visit("finish"), "magnification_pct")]


def _copied_finish(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    return [Spot("measurements", case.read("finish", **VALUES["start"]), "value")]


def _copied_repeat(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    return [Spot("measurements", case.read("start", repeat_no="2", **VALUES["start"]), "value")]


def _no_finish_records(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.untold("finish")
    return [Spot("cases", case.case, "status")]


def _no_phase(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.rows["phases"] = []
    return [Spot("cases", case.case, "comparison")]


def _two_sexes(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.rows["cases"].append(case.case | {"sex": "male"})
    return [Spot("cases", row, "sex") for row in case.rows["cases"]]


def _no_visit(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    return [Spot("measurements", case.read("follow_up", sn_gogn_deg="31.2"), "timepoint")]


def _given_twice(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    case.rows["singles"].append(dict(case.read("finish", sn_gogn_deg="31.6")))
    return [Spot("cases", case.case, "case_id")]


def _given_a_second_time(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    _given_twice(case, rng)
    return [Spot("singles", case.rows["singles"][0], "value")]


def _point(code: str, **cells: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        row = case.point(code)
        row.update(cells)
        return [Spot("landmarks", row, list(cells)[-1])]

    return plant


def _all_points(**cells: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        for row in case.rows["landmarks"]:
            row.update(cells)
        return [Spot("landmarks", row, next(iter(cells))) for row in case.rows["landmarks"]]

    return plant


def _exchanged(one: str, other: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        rows = case.point(one), case.point(other)
        for row, code in zip(rows, (other, one), strict=True):
            row["landmark"] = code
        return [Spot("landmarks", row, "landmark") for row in rows]

    return plant


def _beside_the_points(measure: str, value: str) -> Plant:
    """A value typed in that is far from the one its points give."""

    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        return [Spot("measurements", case.read("start", **{measure: value}), "value")]

    return plant


def _ten_times_too_large(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
    for row in case.rows["landmarks"]:
        row.update(x=f"{row['x']}0", y=f"{row['y']}0")
    return [Spot("landmarks", row, "unit") for row in case.rows["landmarks"]]


def _identity(rule: str, *, warn: dict[str, str], far: str = "") -> list[PlantedFault]:
    """A sum that is a little off, and the same with its last value far off."""
    measures = tuple(warn)
    faults = [PlantedFault(rule, in_values("finish", **warn), measures=measures)]
    if far:
        faults.append(
            PlantedFault(f"{rule}-far", in_values("finish", **(warn | {measures[-1]: far})), measures=measures)
        )
    return faults


CELL_FAULTS = (
    PlantedFault("K001", in_cells("cases", {"age_at_start": "twelve"})),
    PlantedFault("K002", in_cells("cases", {"cvm_stage": "CS9"})),
    PlantedFault("K003", in_cells("cases", {"birth_date": "in spring"}), DATED),
    PlantedFault("K004", _half_a_phase, TABULAR),
    PlantedFault("K004", in_values("start", par_uk_points="12.5"), ("wide",), ("par_uk_points",)),
    PlantedFault("K005", in_cells("cases", {"extracted_teeth": "14 19"})),
    PlantedFault("K006", _unknown_measure, TABULAR),
    PlantedFault("K007", in_values("finish", sn_gogn_deg="31.6 mm"), measures=("sn_gogn_deg",)),
    PlantedFault("K008", in_cells("cases", {"start_quarter": "spring of 18"})),
    PlantedFault("K009", in_cells("cases", {"start_quarter": "2199-Q1"})),
    PlantedFault("K009", in_cells("visits", {"date": "2016-02-30"}, at="finish"), DATED),
    PlantedFault("K010", in_cells("cases", {"clinician": "7"})),
    PlantedFault("K011", _no_start_date, DATED),
    PlantedFault("K012", _point("Me", landmark="Mx"), TABULAR, traced=True),
)

CASE_FAULTS = (
    PlantedFault("C001", in_cells("cases", {"absent_teeth": "15", "extracted_teeth": "14 15"})),
    PlantedFault("C002", in_cells("cases", {"age_at_start": "4.5", "extracted_teeth": "14"})),
    PlantedFault("C003", in_cells("cases", {"age_at_start": "31", "extracted_teeth": "53"})),
    PlantedFault("C004", in_cells("cases", {"age_at_start": "34", "cvm_stage": "CS1"})),
    PlantedFault("C005", in_cells("cases", {"start_quarter": "1918-Q2"})),
    PlantedFault("X002", _no_finish_records),
    PlantedFault("X003", in_cells("cases", {"status": "in_treatment"})),
    PlantedFault("X004", _no_phase),
    PlantedFault("X010", _two_sexes),
)


def _untreated(extracted: str) -> Plant:
    def plant(case: FaultyCase, rng: np.random.Generator) -> list[Spot]:
        case.case["comparison"] = "untreated"
        if extracted:
            case.rows["phases"] = []
            case.case["extracted_teeth"] = extracted
        return [Spot("cases", case.case, "comparison")]

    return plant


TIME_FAULTS = (
    PlantedFault("C006", _untreated("14 24")),
    PlantedFault("X001", _untreated("")),
    PlantedFault("P001", _further_phase("2", "5", "12", column="months_from_start", first="9")),
    PlantedFault("P002", _further_phase("3", "12", "12", column="phase_no"), TABULAR),
    PlantedFault("P002", _further_phase("3", "12", "12", column="appliance_category"), ("wide",)),
    PlantedFault("P003", _further_phase("2", "4", "12", column="months_from_start")),
    PlantedFault("P004", _further_phase("2", "90", "12", column="months_from_start", finish="103")),
    PlantedFault("X008", in_cells("phases", {"months_duration": "60"})),
    PlantedFault("V001", in_cells("visits", {"months_from_start": "0"}, at="finish")),
    PlantedFault("V002", in_cells("visits", {"months_from_start": "8"}, at="start")),
    PlantedFault("V003", _visit_out_of_order("progress", "30")),
    PlantedFault("V004", _visit_out_of_order("follow_up", "20")),
    PlantedFault("V005", in_cells("visits", {"months_from_start": "130"}, at="finish")),
    PlantedFault("V006", _other_kind("gonion_kind")),
    PlantedFault("V007", _other_kind("porion_kind")),
    PlantedFault("V008", _other_enlargement),
    PlantedFault("X009", in_cells("visits", {"records_taken": "no"}, at="finish")),
)

VALUE_FAULTS = (
    *_identity("M-I1", warn={"sn_gome_deg": "34", "sn_pp_deg": "8", "mmpa_deg": "29"}, far="40"),
    *_identity("M-I2", warn={"sn_gome_deg": "33", "bjork_sum_deg": "396"}, far="408"),
    *_identity("M-I3", warn=dict(zip(ANGLES, ("34", "104", "128", "98"), strict=True)), far="114"),
    *_identity("M-I4", warn={"sna_deg": "82", "snb_deg": "79", "anb_deg": "6"}, far="-6"),
    *_identity("M-I5", warn={"lafh_mm": "66", "tafh_mm": "116", "lafh_direct_pct": "59"}, far="64"),
    *_identity("M-I6", warn={"pfh_mm": "75", "tafh_mm": "116", "jarabak_pct": "67"}, far="72"),
    *_identity("M-I7", warn=dict(zip(PAR, ("4", "3", "1", "1", "1", "0", "20"), strict=True))),
    *_identity("M-O1", warn={"sn_gome_deg": "33", "sn_gogn_deg": "36"}),
    *_identity("M-O2", warn={"tafh_mm": "72", "lafh_mm": "75"}),
    *_identity("M-O6", warn={"sna_deg": "79", "snb_deg": "82", "anb_deg": "-3", "wits_mm": "-4", "overjet_mm": "5"}),
    *_identity(
        "M-O7", warn={"sna_deg": "84", "snb_deg": "79", "anb_deg": "5", "overjet_mm": "-3", "overbite_mm": "-2"}
    ),
    PlantedFault(
        "M001",
        in_values("finish", u1_sn_deg="104", sn_pp_deg="8", u1_pp_deg="118"),
        measures=("u1_pp_deg", "sn_pp_deg"),
    ),
    PlantedFault(
        "M002",
        in_values("finish", u1_sn_deg="104", sn_pp_deg="8", u1_pp_deg="128"),
        measures=("u1_pp_deg", "sn_pp_deg"),
    ),
    PlantedFault(
        "M003",
        in_values("finish", y_axis_sn_deg="68", sn_gome_deg="34", fma_deg="20", y_axis_fh_deg="60"),
        measures=("y_axis_sn_deg", "sn_gome_deg", "fma_deg", "y_axis_fh_deg"),
    ),
    PlantedFault("M004", _copied_finish, measures=tuple(VALUES["start"])),
    PlantedFault("M005", _copied_repeat, measures=tuple(VALUES["start"])),
    PlantedFault("X005", in_values("start", incisors="II/1", overjet_mm="-3"), measures=("overjet_mm",)),
    PlantedFault("X006", in_values("start", incisors="III", overjet_mm="6"), measures=("overjet_mm",)),
    PlantedFault("X007", in_values("start", incisors="III", overjet_mm="10"), measures=("overjet_mm",)),
    PlantedFault("X011", _no_visit, TABULAR),
    PlantedFault("X012", _given_twice, MIXED),
    PlantedFault("X013", _given_a_second_time, MIXED),
)

POINT_FAULTS = (
    PlantedFault("L001", _point("Prn", landmark="ZyR"), TABULAR, traced=True),
    PlantedFault("L002", _point("Me", unit="px"), TABULAR, traced=True),
    PlantedFault("L003", _all_points(y_axis="down"), TABULAR, traced=True),
    PlantedFault("L004", _all_points(faces="left"), TABULAR, traced=True),
    PlantedFault("L005", _point("N'", x="70", y="8"), TABULAR, traced=True),
    PlantedFault("L006", _ten_times_too_large, TABULAR, traced=True),
    PlantedFault("L007", _point("Sn", x="112"), TABULAR, traced=True),
    PlantedFault("L008", _exchanged("N'", "Sn"), TABULAR, traced=True),
    PlantedFault("X014", _beside_the_points("tafh_mm", "100"), TABULAR, measures=("tafh_mm",), traced=True),
)

WRITTEN_FAULTS = (*CELL_FAULTS, *CASE_FAULTS, *TIME_FAULTS, *VALUE_FAULTS, *POINT_FAULTS)
