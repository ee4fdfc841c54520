"""The tables a practice keeps: cases, phases, visits, and the dates behind them, in contract columns."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from synthetic_data.anatomy import Anatomy
from synthetic_data.appliances import APPLIANCES, CATEGORIES
from synthetic_data.arrays import BoolArray, FloatArray, IntArray, coded
from synthetic_data.occlusion import Occlusion
from synthetic_data.persons import INCISOR_CLASSES, SELECTED, UNTREATED, Persons
from synthetic_data.settings import Settings
from synthetic_data.symptoms import ANSWERS, POSTURES, WEAR, Symptoms
from synthetic_data.treatment import DAYS_PER_MONTH, EXTRACTIONS, TreatmentCourse
from synthetic_data.truth import Truth
from synthetic_data.visits import FINISH, START, STATUSES, TIMEPOINTS, Visits

SEXES = ("male", "female", "unknown", "other")
MOLAR_CLASSES = ("I", "II", "III")
CVM_STAGES = ("CS1", "CS2", "CS3", "CS4", "CS5", "CS6")
CLINICIANS = 3
NO_STAGE = 0.08
NO_MOLAR_CLASS = 0.03
SEX_NOT_TOLD = 0.004


@dataclass(frozen=True, slots=True)
class Scene:
    """All that is true of the cases, before anything is written down."""

    settings: Settings
    persons: Persons
    course: TreatmentCourse
    truth: Truth
    visits: Visits
    anatomy: Anatomy
    occlusion: Occlusion
    symptoms: Symptoms


def months(days: IntArray) -> FloatArray:
    """Months of a twelfth of a year, to 0.01."""
    rounded: FloatArray = np.round(days / DAYS_PER_MONTH, 2)
    return rounded


def case_rows(scene: Scene, rng: np.random.Generator) -> pl.DataFrame:
    """One row a case: ``practice`` and the columns of the contract table ``cases``."""
    persons, n = scene.persons, len(scene.persons)
    codes = [p.code for p in scene.settings.practices]
    start = _dates(scene, persons.start_day)
    return pl.DataFrame(
        {
            "practice": coded(codes, persons.practice),
            "case_id": _case_ids(codes, persons.practice),
            "sex": coded(SEXES, _recorded_sex(persons.male, rng)),
            "age_at_start": np.round(persons.age, 2),
            "cvm_stage": coded(CVM_STAGES, _sometimes_missing(_cvm(persons, rng), NO_STAGE, rng)),
            "incisor_class": coded(INCISOR_CLASSES, persons.incisor),
            "molar_class": coded(MOLAR_CLASSES, _sometimes_missing(_molar_class(persons, rng), NO_MOLAR_CLASS, rng)),
            "extracted_teeth": coded(EXTRACTIONS, scene.course.extraction),
            "start_quarter": pl.select(pl.format("{}-Q{}", start.dt.year(), start.dt.quarter())).to_series(),
            "selection": coded(("consecutive", "selected"), (persons.kind == SELECTED).astype(np.int64)),
            "status": coded(STATUSES, scene.visits.status),
            "comparison": coded(("treated", "untreated"), (persons.kind == UNTREATED).astype(np.int64)),
            "clinician": coded([f"C{i + 1}" for i in range(CLINICIANS)], rng.integers(0, CLINICIANS, n)),
            "wear_reported": coded(WEAR, scene.symptoms.wear),
        }
    )


def _case_ids(codes: list[str], practice: IntArray) -> pl.Series:
    number = np.empty(len(practice), dtype=np.int64)
    for place in np.unique(practice):
        mine = practice == place
        number[mine] = np.arange(1, int(mine.sum()) + 1)
    width = max(4, len(str(int(number.max(initial=0)))))
    text = pl.Series(number).cast(pl.String).str.zfill(width)
    return pl.select(pl.concat_str(coded([code[:3] for code in codes], practice), text, separator="-")).to_series()


def _recorded_sex(male: BoolArray, rng: np.random.Generator) -> IntArray:
    told = np.where(male, 0, 1)
    return np.where(rng.random(len(male)) < SEX_NOT_TOLD, rng.integers(2, 4, len(male)), told)


def _cvm(persons: Persons, rng: np.random.Generator) -> IntArray:
    onset = np.where(persons.male, 9.7, 8.8)
    stage = (persons.age - onset) / 1.2 + 0.5 * np.clip(rng.standard_normal(len(persons)), -2.0, 2.0)
    return np.clip(np.floor(stage), 0, 5).astype(np.int64)


def _molar_class(persons: Persons, rng: np.random.Generator) -> IntArray:
    """Usually the class that goes with the incisors, now and then one off."""
    usual = np.array([0, 1, 1, 2])[persons.incisor]
    other = np.where(usual == 0, rng.integers(1, 3, len(persons)), 0)
    return np.where(rng.random(len(persons)) < 0.85, usual, other)


def _sometimes_missing(index: IntArray, share: float, rng: np.random.Generator) -> IntArray:
    return np.where(rng.random(len(index)) < share, -1, index)


def _dates(scene: Scene, days: IntArray) -> pl.Series:
    first = date(scene.settings.first_year, 1, 1).toordinal() - date(1970, 1, 1).toordinal()
    return pl.Series(days + first).cast(pl.Int32).cast(pl.Date)


def date_rows(scene: Scene, ids: pl.Series) -> pl.DataFrame:
    """Dates of birth, start and each visit; null where there was no visit."""
    persons, visits = scene.persons, scene.visits
    columns = {
        "case_id": ids,
        "birth_date": _dates(scene, persons.start_day - persons.age_days),
        "start_date": _dates(scene, persons.start_day),
    }
    never = pl.Series([None], dtype=pl.Date)
    for place, timepoint in enumerate(TIMEPOINTS):
        if place != START:
            days = _dates(scene, persons.start_day + visits.days[:, place])
            columns[f"{timepoint}_date"] = days.zip_with(pl.Series(visits.happened[:, place]), never)
    return pl.DataFrame(columns)


def phase_rows(scene: Scene, ids: pl.Series) -> pl.DataFrame:
    """One row a phase that was begun; a phase that goes on has no duration."""
    course, visits = scene.course, scene.visits
    begins = np.stack([np.zeros_like(course.days), course.first_days], axis=1)
    ends = np.stack([course.first_days, course.days], axis=1)
    begun = np.stack([course.first >= 0, (course.second >= 0) & (course.first_days < visits.observed_days)], axis=1)
    case, phase = np.nonzero(begun)
    category = np.stack([course.first, course.second], axis=1)[case, phase]
    end = np.minimum(ends[case, phase], visits.observed_days[case])
    start = begins[case, phase]
    over = (visits.status[case] != STATUSES.index("in_treatment")) | (ends[case, phase] <= visits.observed_days[case])
    return pl.DataFrame(
        {
            "case_id": ids.gather(case),
            "phase_no": (phase + 1).astype(np.int64),
            "appliance_category": coded(CATEGORIES, category),
            "arch": coded([a.arch for a in APPLIANCES], category),
            "months_from_start": months(start),
            "months_duration": pl.Series(np.where(over, months(end - start), np.nan)).fill_nan(None),
        }
    )


def visit_rows(scene: Scene, ids: pl.Series) -> pl.DataFrame:
    """One row a visit that happened, with what the records say about the film and the answers given."""
    visits, symptoms = scene.visits, scene.symptoms
    case, time = np.nonzero(visits.happened)
    practice = scene.persons.practice[case]
    records, film = visits.records[case, time], visits.film[case, time]
    known_enlargement = np.where(film, _known_enlargement(scene, practice, time), np.nan)

    def if_taken(names: tuple[str, ...], index: IntArray) -> pl.Series:
        return coded(names, np.where(records, index[case, time], -1))

    return pl.DataFrame(
        {
            "case_id": ids.gather(case),
            "timepoint": coded(TIMEPOINTS, time),
            "months_from_start": months(visits.days[case, time]),
            "magnification_pct": pl.Series(known_enlargement).fill_nan(None),
            "porion_kind": coded(("anatomic",), np.where(film, 0, -1)),
            "gonion_kind": coded(("constructed",), np.where(film, 0, -1)),
            "records_taken": coded(("no", "yes"), records.astype(np.int64)),
            "mouth_posture": if_taken(POSTURES, symptoms.posture),
            "joint_symptoms": if_taken(ANSWERS, symptoms.joint),
            "sleep_breathing_concern": if_taken(ANSWERS, symptoms.sleep),
        }
    )


def enlargement(scene: Scene, practice: IntArray, time: IntArray) -> FloatArray:
    """Enlargement of the film in percent: one figure until the finish, another from then on."""
    by_practice = np.array([p.enlargement_pct for p in scene.settings.practices])
    percent: FloatArray = by_practice[practice, (time >= FINISH).astype(np.int64)]
    return percent


def _known_enlargement(scene: Scene, practice: IntArray, time: IntArray) -> FloatArray:
    known = np.array([p.enlargement_known for p in scene.settings.practices])
    return np.where(known[practice], enlargement(scene, practice, time), np.nan)
