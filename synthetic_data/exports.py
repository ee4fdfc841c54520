"""What the seven practices of the invented study group hand over, and the key that stays behind."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from synthetic_data.anatomy import make_anatomy
from synthetic_data.appliances import CATEGORIES
from synthetic_data.arrays import coded, take
from synthetic_data.occlusion import make_occlusion
from synthetic_data.persons import DAYS_PER_YEAR, KINDS, make_persons
from synthetic_data.practices import CORE, InventedPractice
from synthetic_data.readings import READING_KEY, read_cohort
from synthetic_data.records import Scene, case_rows, date_rows, phase_rows, visit_rows
from synthetic_data.settings import Settings
from synthetic_data.stated import stated
from synthetic_data.symptoms import make_symptoms
from synthetic_data.tracing import FORMULAS
from synthetic_data.treatment import EXTRACTIONS, plan_course
from synthetic_data.truth import keep_picked, true_changes
from synthetic_data.visits import FINISH, FINISHED, START, STATUSES, TIMEPOINTS, make_visits

COUNTED = "counted"
HIDDEN = (COUNTED, *STATUSES[1:], "no start radiograph", "no finish radiograph", "mandibular plane unreadable")
"""Why the outcome of a case cannot be seen in the files; ``counted`` where it can."""


@dataclass(frozen=True, slots=True)
class AnswerKey:
    """The truth."""

    # One row a case: who it was, what was done, the true change of the mandibular plane from start to planned
    # finish and its parts (degrees), `true_adverse`, and `hidden`
    cases: pl.DataFrame
    summary: dict[str, Any]  # Shares and effects, ready to be written as JSON

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write ``cases.parquet`` and ``summary.json`` into a folder, which is made if it is not there."""
        folder.mkdir(parents=True, exist_ok=True)
        cases, summary = folder / "cases.parquet", folder / "summary.json"
        self.cases.write_parquet(cases)
        summary.write_text(json.dumps(self.summary, indent=2) + "\n", encoding="utf-8")
        return cases, summary


def make_key(scene: Scene, cases: pl.DataFrame, readings: pl.DataFrame) -> AnswerKey:
    """The key of a cohort."""
    truth, course, persons = scene.truth, scene.course, scene.persons
    frame = cases.select("practice", "case_id").with_columns(
        coded(KINDS, persons.kind, "kind"),
        coded(CATEGORIES, course.first, "appliance_first"),
        coded(CATEGORIES, course.second, "appliance_second"),
        coded(EXTRACTIONS, course.extraction, "extracted_teeth"),
        pl.Series("type_z", persons.type_z),
        pl.Series("sn_gogn_at_start_deg", persons.plane - scene.anatomy.chin),
        pl.Series("years", course.days / DAYS_PER_YEAR),
        pl.Series("true_change_deg", truth.change),
        pl.Series("expected_growth_deg", truth.expected),
        pl.Series("own_growth_deg", truth.own_growth),
        pl.Series("appliance_effect_deg", course.effect),
        pl.Series("extraction_effect_deg", course.extraction_effect),
        pl.Series("response_deg", course.response),
        pl.Series("true_adjusted_deg", truth.adjusted),
        pl.Series("true_adverse", truth.adjusted >= scene.settings.adverse_at),
        pl.Series("overjet_raised", scene.occlusion.raised),
        _hidden(scene, cases, readings),
    )
    return AnswerKey(frame, _summary(frame, scene.settings))


def _hidden(scene: Scene, cases: pl.DataFrame, readings: pl.DataFrame) -> pl.Series:
    visits = scene.visits
    readable = _plane_readable(cases, readings)
    reason = np.select(
        [visits.status != FINISHED, ~visits.film[:, START], ~visits.film[:, FINISH], ~readable],
        [visits.status, HIDDEN.index("no start radiograph"), HIDDEN.index("no finish radiograph"), len(HIDDEN) - 1],
        HIDDEN.index(COUNTED),
    )
    return coded(HIDDEN, reason.astype(np.int64), "hidden")


def _plane_readable(cases: pl.DataFrame, readings: pl.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the mandibular plane was read at start and at finish."""
    if "sn_gogn_deg" not in readings.columns:
        return np.zeros(cases.height, dtype=np.bool_)
    read = readings.filter(pl.col("sn_gogn_deg").is_not_null(), pl.col("timepoint").is_in(["start", "finish"]))
    twice = read.group_by("case_id").agg(pl.col("timepoint").n_unique()).filter(pl.col("timepoint") == 2)
    readable: np.ndarray[tuple[int], np.dtype[np.bool_]] = cases["case_id"].is_in(twice["case_id"].implode()).to_numpy()
    return readable


def _summary(frame: pl.DataFrame, settings: Settings) -> dict[str, Any]:
    """Counts and true shares: of all consecutive treated cases, and of those whose outcome can be seen."""
    started = frame.filter(pl.col("kind") == "consecutive")
    counted = started.filter(pl.col("hidden") == COUNTED)
    used = started["appliance_first"].unique().to_list()
    return {
        "adverse_at_deg": settings.adverse_at,
        "n_cases": frame.height,
        "n_by_kind": _counts(frame, "kind"),
        "n_hidden": _counts(started, "hidden"),
        "true_effects_deg": {c: settings.effects.get(c, 0.0) for c in CATEGORIES if c in used},
        "true_extraction_effect_deg": settings.extraction_effect,
        "started": _share(started),
        "counted": _share(counted),
        "counted_by_appliance": _shares(counted, "appliance_first"),
        "counted_by_practice": _shares(counted, "practice"),
        "counted_by_extraction": _shares(
            counted.with_columns(extraction=pl.col("extracted_teeth") != "none"), "extraction"
        ),
        "selected": _share(frame.filter(pl.col("kind") == "selected")),
        "untreated": _share(frame.filter(pl.col("kind") == "untreated")),
    }


def _counts(frame: pl.DataFrame, column: str) -> dict[str, int]:
    return dict(frame.group_by(column).len().sort(column).iter_rows())


def _share(frame: pl.DataFrame) -> dict[str, float | int | None]:
    n, adverse = frame.height, int(frame["true_adverse"].sum())
    mean = frame["true_adjusted_deg"].mean()
    return {
        "n": n,
        "true_adverse": adverse,
        "true_share": adverse / n if n else None,
        "mean_true_adjusted_deg": mean if isinstance(mean, float) else None,
    }


def _shares(frame: pl.DataFrame, column: str) -> dict[str, dict[str, float | int | None]]:
    return {str(name): _share(part) for (name,), part in sorted(frame.group_by(column), key=lambda item: str(item[0]))}


@dataclass(frozen=True, slots=True)
class Cohort:
    """What the practices recorded, in contract columns, and the answer key."""

    settings: Settings  # What it was made from
    cases: pl.DataFrame  # One row a case: `practice` and the columns of the contract
    # `case_id, birth_date, start_date, progress_date, finish_date, follow_up_date`, for files that give dates
    # instead of ages and months; they lead to exactly the ages and months of the other frames
    dates: pl.DataFrame
    phases: pl.DataFrame  # One row an appliance phase
    visits: pl.DataFrame  # One row a case and timepoint
    # One row a case, timepoint, examiner and repeat; one column a measure, null where not handed over
    readings: pl.DataFrame
    landmarks: pl.DataFrame  # Points of the practices that hand them over, same key with `view` and `landmark`
    key: AnswerKey  # The truth

    def of_practice(self, code: str) -> Cohort:
        """The records of one practice (the key stays whole)."""
        cases = self.cases.filter(self.cases["practice"] == code)
        mine = {
            name: getattr(self, name).join(cases.select("case_id"), on="case_id", how="semi", maintain_order="left")
            for name in ("dates", "phases", "visits", "readings", "landmarks")
        }
        return Cohort(settings=self.settings, cases=cases, key=self.key, **mine)

    def measurements(self) -> pl.DataFrame:
        """The readings as one row a value, columns and order of the contract table ``measurements``."""
        values = [name for name in self.readings.columns if name not in READING_KEY]
        long = self.readings.unpivot(values, index=READING_KEY, variable_name="measure").drop_nulls("value")
        order = ["case_id", "timepoint", "measure", "value", "examiner", "repeat_no"]
        return long.select(order).sort("case_id", "timepoint", "measure", "examiner", "repeat_no")


def make_cohort(settings: Settings, rng: np.random.Generator) -> Cohort:
    """Invent a cohort. The same settings and state of ``rng`` give the same cohort.

    Everything is drawn for all cases at once; films are drawn and read block by block to keep memory low.
    """
    persons = make_persons(settings, rng)
    course = plan_course(persons, settings, rng)
    truth = true_changes(persons, course, settings, rng)
    stays = keep_picked(persons, truth)
    persons, course, truth = take(persons, stays), take(course, stays), take(truth, stays)
    visits = make_visits(persons, course, truth, settings, rng)
    occlusion = make_occlusion(persons, course, truth, visits, settings, rng)
    scene = Scene(
        settings=settings,
        persons=persons,
        course=course,
        truth=truth,
        visits=visits,
        anatomy=make_anatomy(persons, rng),
        occlusion=occlusion,
        symptoms=make_symptoms(persons, course, occlusion.lip_gap, settings, rng),
    )
    cases = case_rows(scene, rng)
    ids = cases["case_id"]
    readings, landmarks = read_cohort(scene, ids, rng)
    return Cohort(
        settings=settings,
        cases=cases,
        dates=date_rows(scene, ids),
        phases=phase_rows(scene, ids),
        visits=visit_rows(scene, ids),
        readings=readings,
        landmarks=landmarks,
        key=make_key(scene, cases, readings),
    )


REPEATED = CORE  # measures whose second readings have columns of their own


def wide_frame(cohort: Cohort) -> pl.DataFrame:
    """One row a case in the order of ``cohort.cases``: cases, phases, then visits and readings by timepoint.

    Columns without any value are left out. A wide file has no column for the examiner, so it suits a practice with
    one.
    """
    wide = cohort.cases.drop("practice")
    for number in cohort.phases["phase_no"].unique().sort():
        wide = _joined(
            wide, cohort.phases.filter(pl.col("phase_no") == number).drop("phase_no"), f"phase_{number}_", ""
        )
    for timepoint in TIMEPOINTS:
        at = pl.col("timepoint") == timepoint
        wide = _joined(wide, cohort.visits.filter(at).drop("timepoint"), "", f"_{timepoint}")
        first = cohort.readings.filter(at, pl.col("repeat_no") == 1).drop("timepoint", "examiner", "repeat_no")
        wide = _joined(wide, first, "", f"_{timepoint}")
        again = cohort.readings.filter(at, pl.col("repeat_no") == 2)
        again = again.select("case_id", *(name for name in again.columns if name in REPEATED))
        wide = _joined(wide, again, "", f"_{timepoint}_repeat2")
    return wide.select(column for column in wide if column.null_count() < wide.height)


def _joined(wide: pl.DataFrame, part: pl.DataFrame, before: str, after: str) -> pl.DataFrame:
    named = part.rename({name: f"{before}{name}{after}" for name in part.columns if name not in READING_KEY})
    return wide.join(named, on="case_id", how="left", maintain_order="left")


def write_workbook(frame: pl.DataFrame, path: Path) -> Path:
    """Write a frame as the only sheet of an XLSX workbook, with the names in the first row."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    page = book.create_sheet("cases")
    page.freeze_panes = "B2"
    page.append(frame.columns)
    for row in frame.iter_rows():
        page.append(row)
    book.save(path)
    return path


def tables(cohort: Cohort) -> dict[str, pl.DataFrame]:
    """Contract table -> rows as handed over; columns without any value are left out.

    Where a practice hands over points instead of values, the measures that follow from points are left out.
    """
    frames = {
        "cases": cohort.cases.drop("practice"),
        "phases": cohort.phases,
        "visits": cohort.visits,
        "measurements": _without_derived(cohort),
        "landmarks": cohort.landmarks,
    }
    filled = {name: frame for name, frame in frames.items() if frame.height}
    return {name: frame.select(c for c in frame if c.null_count() < frame.height) for name, frame in filled.items()}


def write_tabular(cohort: Cohort, folder: Path) -> tuple[Path, ...]:
    """Write the tables of a cohort into a folder, which is made if it is not there; gives the files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, frame in tables(cohort).items():
        path = folder / f"{name}.csv"
        frame.write_csv(path)
        paths.append(path)
    return tuple(paths)


def _without_derived(cohort: Cohort) -> pl.DataFrame:
    measurements = cohort.measurements()
    instead = [p.code for p in cohort.settings.practices if p.landmarks == "instead"]
    traced = cohort.cases.filter(pl.col("practice").is_in(instead))["case_id"]
    return measurements.filter(~(pl.col("case_id").is_in(traced.implode()) & pl.col("measure").is_in(list(FORMULAS))))


ENCODING = "cp1252"
TITLE = "KFO-Verlauf – Auswertung der Fälle"
HEADER_ROW = 3
TOTALS = "Summe"
MISSING = ("n/a", "-")
ONE_IN = 18
"""One cell in so many has a blank before it, one has blanks after it, one is in capitals."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A column of the spreadsheet: group above it (blank where the one to the left goes on), name, contract name."""

    group: str
    name: str
    goes_to: str | None


_STATED = stated("own_spreadsheet.toml")
HEADINGS = tuple(Heading(group, name, goes_to or None) for group, name, goes_to in _STATED["headings"])
WORDS: dict[str, dict[str, str]] = _STATED["words"]
"""Code list -> code -> how this practice writes it."""

NO_TEETH = "keine"
FIRST_WORDS = ("Quill", "Tamber", "Osk", "Brindle", "Fenna", "Lorrow", "Mave", "Pirrik")
LAST_WORDS = ("Underglass", "Tidewick", "Saltmarrow", "Fogbell", "Reedlamp", "Gullstep", "Wharfinch")
"""Invented words that look like names."""

CONSTANTS = {"selection": "consecutive", "comparison": "treated"}
DERIVED = {"birth_date": "age_at_start", "start_date": "start_quarter", "finish_date": "months_from_start_finish"}
"""What the dates of the spreadsheet become."""


def clean_frame(cohort: Cohort) -> pl.DataFrame:
    """The same content with contract names: what reading the spreadsheet must lead to.

    The cohort must be of one practice of consecutive treated cases, for the spreadsheet has no column for either.
    """
    wide = wide_frame(cohort)
    names = [DERIVED.get(heading.goes_to, heading.goes_to) for heading in HEADINGS if heading.goes_to is not None]
    missing = [pl.lit(None, pl.String).alias(name) for name in names if name not in wide.columns]
    constants = [pl.lit(value).alias(name) for name, value in CONSTANTS.items()]
    return wide.with_columns(missing).select(*names, *constants)


def write_own_spreadsheet(cohort: Cohort, path: Path, rng: np.random.Generator) -> Path:
    """Write the spreadsheet of a cohort of one practice."""
    clean = clean_frame(cohort)
    columns = [_column(heading, clean, cohort.dates, rng) for heading in HEADINGS]
    rows = [list(row) for row in zip(*columns, strict=True)]
    with path.open("w", encoding=ENCODING, newline="") as file:
        writer = csv.writer(file, delimiter=";", lineterminator="\r\n")
        writer.writerow([TITLE, *([""] * (len(HEADINGS) - 1))])
        writer.writerow([heading.group for heading in HEADINGS])
        writer.writerow([heading.name for heading in HEADINGS])
        writer.writerows(rows)
        writer.writerow([TOTALS, *(_total(heading, clean) for heading in HEADINGS[1:])])
    return path


def _column(heading: Heading, clean: pl.DataFrame, dates: pl.DataFrame, rng: np.random.Generator) -> list[str]:
    n = clean.height
    if heading.goes_to is None:
        picked = rng.integers(0, [len(FIRST_WORDS), len(LAST_WORDS)], (n, 2))
        return [f"{FIRST_WORDS[first]} {LAST_WORDS[last]}" for first, last in picked]
    if heading.goes_to in DERIVED:
        values: list[object] = dates[heading.goes_to].dt.strftime("%d.%m.%Y").to_list()
    else:
        values = clean[heading.goes_to].to_list()
    missing = [MISSING[i] for i in rng.integers(0, len(MISSING), n)]
    texts = [_written(heading.goes_to, value, no) for value, no in zip(values, missing, strict=True)]
    return texts if heading.goes_to == "case_id" else _untidied(texts, rng)


def _written(name: str, value: object, missing: str) -> str:
    if value is None:
        return missing
    if name == "extracted_teeth":
        return NO_TEETH if value == "none" else str(value).replace(" ", ", ")
    if isinstance(value, float):
        return f"{value:g}".replace(".", ",")
    words = next((words for codes, words in WORDS.items() if codes in name), {})
    return words.get(str(value), str(value))


def _untidied(texts: list[str], rng: np.random.Generator) -> list[str]:
    """Stray blanks and other capitals in some cells."""
    kinds = rng.integers(0, ONE_IN, len(texts))
    changes = {0: lambda text: f" {text}", 1: lambda text: f"{text}  ", 2: _capitals}
    return [changes[int(kind)](text) if int(kind) in changes else text for text, kind in zip(texts, kinds, strict=True)]


def _capitals(text: str) -> str:
    """Capitals; a sharp s, whose capital is two letters, keeps the word as it is."""
    return text if "ß" in text else text.upper()


def _total(heading: Heading, clean: pl.DataFrame) -> str:
    """The sum of a column of numbers; blank for others."""
    if heading.goes_to not in clean.columns or clean[heading.goes_to].dtype != pl.Float64:
        return ""
    return f"{clean[heading.goes_to].sum():.1f}".replace(".", ",")


def mapping_text(practice: str) -> str:
    """The mapping file that ties the spreadsheet to the contract."""
    lines = [
        "# Ties the spreadsheet of this practice to the contract.",
        "[file]",
        'layout = "wide"',
        f'practice = "{practice}"',
        f'encoding = "{ENCODING}"',
        'delimiter = ";"',
        'decimal = ","',
        'date_order = "dmy"',
        f"header_row = {HEADER_ROW}",
        "",
        "[columns]",
    ]
    names = _full_names()
    lines += [f'"{name}" = "{h.goes_to}"' for name, h in zip(names, HEADINGS, strict=True) if h.goes_to is not None]
    for codes, words in WORDS.items():
        lines += ["", f"[codes.{codes}]", *(f'"{theirs}" = "{ours}"' for ours, theirs in words.items())]
    lines += ["", "[constants]", *(f'{name} = "{value}"' for name, value in CONSTANTS.items())]
    lines += ["", "[ignored]"]
    lines += [f'"{name}" = "a personal name"' for name, h in zip(names, HEADINGS, strict=True) if h.goes_to is None]
    return "\n".join(lines) + "\n"


def _full_names() -> list[str]:
    """Names as a reader joins them: group and name, the group going on to the right."""
    names, group = [], ""
    for heading in HEADINGS:
        group = heading.group or group
        names.append(f"{group} {heading.name}".strip())
    return names


DEMO_SEED = 20
KEY_FOLDER = "answer-key"


@dataclass(frozen=True, slots=True)
class Handover:
    """What one practice hands over."""

    practice: str  # Its pseudonym
    files: tuple[Path, ...]  # Files to load, all in one folder of their own
    mapping: Path | None = None  # The mapping file they need, or None where they use contract names


def write_demo(
    folder: Path,
    *,
    seed: int = DEMO_SEED,
    settings: Settings | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Handover]:
    """Invent the study group and write one folder a practice, and the answer key into a folder of its own.

    Gives one handover a practice, in the order of the settings. The folder ``answer-key`` is not among them: it holds
    ``cases.parquet``, ``summary.json`` and, for spreadsheets of a practice's own making, the same content with contract
    names. ``progress`` is called with a sentence before each step.
    """
    tell = progress or _silent
    rng = np.random.default_rng(seed)
    tell("inventing the cases of the Lantern Bay study group")
    cohort = make_cohort(settings or Settings(), rng)
    handovers = write_practices(cohort, folder, rng, progress=tell)
    cohort.key.write(folder / KEY_FOLDER)
    return handovers


def write_practices(
    cohort: Cohort, folder: Path, rng: np.random.Generator, *, progress: Callable[[str], None] | None = None
) -> list[Handover]:
    """Write one folder a practice, each in the layout it keeps to."""
    tell = progress or _silent
    handovers = []
    for practice in cohort.settings.practices:
        tell(f"writing the files of {practice.code}")
        handovers.append(_handover(cohort.of_practice(practice.code), practice, folder, rng))
    return handovers


def _handover(cohort: Cohort, practice: InventedPractice, folder: Path, rng: np.random.Generator) -> Handover:
    place = folder / practice.code
    place.mkdir(parents=True, exist_ok=True)
    if practice.layout == "tabular":
        return Handover(practice.code, write_tabular(cohort, place))
    name = practice.code.lower()
    if practice.layout == "template":
        return Handover(practice.code, (write_workbook(wide_frame(cohort), place / f"{name}.xlsx"),))
    mapping = place / f"{name}.mapping.toml"
    mapping.write_text(mapping_text(practice.code), encoding="utf-8")
    clean = folder / KEY_FOLDER / f"{name}-clean.csv"
    clean.parent.mkdir(parents=True, exist_ok=True)
    clean_frame(cohort).write_csv(clean)
    return Handover(practice.code, (write_own_spreadsheet(cohort, place / f"{name}.csv", rng),), mapping)


def _silent(_: str) -> None:
    return None
