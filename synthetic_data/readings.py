"""All readings of a cohort: which film was read by whom and how often, and the values that came of it."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_data.appliances import APPLIANCES
from synthetic_data.arrays import BoolArray, FloatArray, IntArray, coded, take
from synthetic_data.faces import Points, Pose, draw
from synthetic_data.growth import length
from synthetic_data.occlusion import PAR_WEIGHTS, par_total
from synthetic_data.persons import DAYS_PER_YEAR
from synthetic_data.records import Scene, enlargement
from synthetic_data.tracing import FORMULAS, Reading, mark_points, measure
from synthetic_data.truth import plane_at
from synthetic_data.visits import TIMEPOINTS

READING_KEY = ["case_id", "timepoint", "examiner", "repeat_no"]
EXAMINERS = ("E1", "E2")
BLOCK = 100_000
"""Readings drawn at once."""

SECOND_EXAMINER_SHARE = 0.25
BY_THE_OTHER_TOO = 0.5
"""Of films read again by the same examiner, the share also read by the other."""

IRREGULARITY_ERROR, FACIAL_INDEX_ERROR = 0.3, 0.9


@dataclass(frozen=True, slots=True)
class Sheet:
    """The list of readings to be made; arrays with one row a reading, in the order of the output."""

    case: IntArray  # Row of the case
    time: IntArray  # Place in TIMEPOINTS
    examiner: IntArray  # Place in EXAMINERS
    repeat: IntArray  # 1 for a first reading
    film: BoolArray  # Whether there is a film to read; without one only casts and photographs are
    casts: BoolArray  # Whether this is the reading that casts and photographs go with


def make_sheet(scene: Scene, rng: np.random.Generator) -> Sheet:
    """First readings of all records, and second readings of a random part of the films."""
    visits, practice = scene.visits, scene.persons.practice
    two = np.array([p.n_examiners for p in scene.settings.practices])[practice] > 1
    usual = (two & (rng.random(len(practice)) < SECOND_EXAMINER_SHARE)).astype(np.int64)
    case, time = np.nonzero(visits.records)
    film = visits.film[case, time]
    share = np.array([p.repeats for p in scene.settings.practices])[practice[case]]
    again = np.flatnonzero(film & (rng.random(len(case)) < share))
    other = again[two[case[again]] & (rng.random(len(again)) < BY_THE_OTHER_TOO)]
    row = np.concatenate([np.arange(len(case)), again, other])
    examiner = np.concatenate([usual[case], usual[case[again]], 1 - usual[case[other]]])
    repeat = np.concatenate([np.ones(len(case)), np.full(len(again), 2), np.ones(len(other))]).astype(np.int64)
    first = np.concatenate([np.ones(len(case), dtype=np.bool_), np.zeros(len(again) + len(other), dtype=np.bool_)])
    order = np.lexsort((repeat, examiner, time[row], case[row]))
    return take(Sheet(case[row], time[row], examiner, repeat, film[row], first), order)


def read_cohort(scene: Scene, ids: pl.Series, rng: np.random.Generator) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings (one column a measure) and the landmarks of the practices that hand points over."""
    sheet = make_sheet(scene, rng)
    wanted = [name for name in (*FORMULAS, *_CASTS) if any(name in p.measures for p in scene.settings.practices)]
    blocks = [take(sheet, slice(at, at + BLOCK)) for at in range(0, max(len(sheet.case), 1), BLOCK)]
    frames, points = zip(*(_read_block(scene, block, ids, wanted, rng) for block in blocks), strict=True)
    return pl.concat(frames), pl.concat(points)


def _read_block(
    scene: Scene, sheet: Sheet, ids: pl.Series, wanted: list[str], rng: np.random.Generator
) -> tuple[pl.DataFrame, pl.DataFrame]:
    anatomy = take(scene.anatomy, sheet.case)
    pose = _pose(scene, sheet)
    true = draw(anatomy, pose)
    marked = mark_points(true, _reading(scene, sheet), scene.settings.unreadable, rng)
    values = {code: measure(marked, code, sheet.film) for code in FORMULAS if code in wanted}
    width = length("cheek_width", pose.age, anatomy.male) * anatomy.width
    index = 100.0 * np.abs(true["N'"] - true["Gn'"]) / width
    values |= {code: value for code, value in _casts(scene, sheet, index, rng).items() if code in wanted}
    keys = pl.DataFrame(
        {
            "case_id": ids.gather(sheet.case),
            "timepoint": coded(TIMEPOINTS, sheet.time),
            "examiner": coded(EXAMINERS, sheet.examiner),
            "repeat_no": sheet.repeat,
        }
    )
    return _handed_over(scene, sheet, keys, values), _landmark_rows(scene, sheet, keys, marked)


def _pose(scene: Scene, sheet: Sheet) -> Pose:
    at = (sheet.case, sheet.time)
    persons, teeth = take(scene.persons, sheet.case), scene.occlusion
    days = scene.visits.days[at].astype(np.float64)
    share = scene.visits.treatment_share[at]
    upper = np.array([*(a.upper_jaw for a in APPLIANCES), 0.0])
    lower = np.array([*(a.lower_jaw for a in APPLIANCES), 0.0])
    first = scene.course.first[sheet.case]
    return Pose(
        age=persons.age + days / DAYS_PER_YEAR,
        plane=plane_at(persons, take(scene.truth, sheet.case), days[:, None], share[:, None])[:, 0],
        upper_jaw=upper[first] * share,
        lower_jaw=lower[first] * share,
        u1_sn=teeth.u1_sn[at],
        impa=teeth.impa[at],
        overjet=teeth.overjet[at],
        overbite=teeth.overbite[at],
        lip_gap=teeth.lip_gap[at],
        retracted=teeth.retracted[at],
    )


def _reading(scene: Scene, sheet: Sheet) -> Reading:
    practice = scene.persons.practice[sheet.case]
    scale = np.array([p.tracing for p in scene.settings.practices])[practice] * scene.settings.tracing
    return Reading(
        error=scale,
        low_gonion=np.where(sheet.examiner > 0, scene.settings.examiner_bias_mm, 0.0),
        enlargement_pct=enlargement(scene, practice, sheet.time),
    )


_CASTS = ("irregularity_mm", "par_uk_points", *PAR_WEIGHTS, "facial_index_pct")


def _casts(scene: Scene, sheet: Sheet, facial_index: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    """What is read from casts and photographs, once."""
    at = (sheet.case, sheet.time)
    n = len(sheet.case)
    scale = scene.settings.tracing
    irregularity: FloatArray = scene.occlusion.irregularity[at] + IRREGULARITY_ERROR * scale * rng.standard_normal(n)
    par = {name: scores[at] for name, scores in scene.occlusion.par.items()}
    facial = np.round(facial_index + FACIAL_INDEX_ERROR * scale * rng.standard_normal(n), 1)
    values: dict[str, FloatArray] = dict(par)
    values["par_uk_points"] = par_total(par)
    values["irregularity_mm"] = np.clip(irregularity, 0.0, None).round(1)
    values["facial_index_pct"] = facial
    return {name: np.where(sheet.casts, value, np.nan) for name, value in values.items()}


def _handed_over(scene: Scene, sheet: Sheet, keys: pl.DataFrame, values: dict[str, FloatArray]) -> pl.DataFrame:
    """The readings as a frame, with the measures a practice does not hand over left out of its rows."""
    practice = scene.persons.practice[sheet.case]
    columns = []
    for name, value in values.items():
        given = np.array([name in p.measures for p in scene.settings.practices])
        columns.append(pl.Series(name, np.where(given[practice], value, np.nan)).fill_nan(None))
    return keys.hstack(columns)


def _landmark_rows(scene: Scene, sheet: Sheet, keys: pl.DataFrame, marked: Points) -> pl.DataFrame:
    """The points of the practices that hand them over, reading by reading; unreadable points have no row."""
    practice = scene.persons.practice[sheet.case]
    given = np.flatnonzero(np.array([p.landmarks != "none" for p in scene.settings.practices])[practice] & sheet.film)
    at = np.stack([point[given] for point in marked.values()], axis=1)
    reading, landmark = np.nonzero(~np.isnan(at.real))
    key = keys[given[reading]]
    return pl.DataFrame(
        {
            "case_id": key["case_id"],
            "timepoint": key["timepoint"],
            "view": coded(("lateral_radiograph",), np.zeros_like(reading)),
            "landmark": coded(tuple(marked), landmark),
            "x": at[reading, landmark].real,
            "y": at[reading, landmark].imag,
            "unit": coded(("mm",), np.zeros_like(reading)),
            "y_axis": coded(("up",), np.zeros_like(reading)),
            "faces": coded(("right",), np.zeros_like(reading)),
            "examiner": key["examiner"],
            "repeat_no": key["repeat_no"],
        }
    )
