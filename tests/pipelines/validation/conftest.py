"""Tiny clean files with contract names, and the door that turns files into deliveries."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipelines.checking.rules import load_rules
from pipelines.checking.tables import assemble
from pipelines.checking.validation import Examiner, Judged
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Delivery, FileSource
from pipelines.deidentify.keyer import Keyer
from pipelines.interpreting.interpret import interpret
from pipelines.mapping.column_mapping import identity_mapping
from pipelines.reading.files import read_file
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.measure import Measure

Frames = dict[str, pl.DataFrame]
Door = Callable[..., list[Delivery]]

FEW = ("sna_deg", "snb_deg", "anb_deg", "sn_gogn_deg", "overjet_mm", "par_uk_points")
N_CLEAN = 6


@pytest.fixture
def few_measures() -> Mapping[str, Measure]:
    """A small catalogue: fewer rules, faster tests."""
    return {code: CATALOGUE[code] for code in FEW}


@pytest.fixture(scope="session")
def door(tmp_path_factory: pytest.TempPathFactory) -> Door:
    """Writes frames as CSV files, reads and interprets them."""

    def through(frames: Mapping[str, pl.DataFrame], catalogue: Mapping[str, Measure] = CATALOGUE) -> list[Delivery]:
        folder = tmp_path_factory.mktemp("files")
        return [_delivered(_written(frame, folder / f"{name}.csv"), catalogue) for name, frame in frames.items()]

    return through


def _written(frame: pl.DataFrame, path: Path) -> Path:
    frame.write_csv(path)
    return path


def _delivered(path: Path, catalogue: Mapping[str, Measure]) -> Delivery:
    contract = load_contract()
    (raw,) = read_file(path)
    mapping = identity_mapping(raw.frame.columns, contract=contract, catalogue=catalogue)
    return interpret(
        raw,
        mapping,
        contract=contract,
        catalogue=catalogue,
        practice="P1",
        keyer=Keyer(b"k" * 32),
        today=date(2024, 6, 1),
    )


def case_ids() -> list[str]:
    return [f"A{number}" for number in range(1, N_CLEAN + 1)]


@pytest.fixture(scope="session")
def clean_tables() -> Frames:
    """Six cases without a fault, one file a contract table."""
    ids = case_ids()
    readings = [
        (case, timepoint, measure, value + shift + number / 10)
        for number, case in enumerate(ids)
        for timepoint, shift in (("start", 0.0), ("finish", -0.4))
        for measure, value in (("sna_deg", 81.0), ("snb_deg", 78.0), ("sn_gogn_deg", 31.0), ("overjet_mm", 3.5))
    ]
    points = {"S": (0, 0), "N": (71, 9), "Me": (45, -104), "Go": (-11, -73)}
    return {
        "cases": clean_cases(),
        "phases": pl.DataFrame({"case_id": ids, "phase_no": 1, "appliance_category": "fixed_labial"}).with_columns(
            months_from_start=pl.lit(0.0), months_duration=pl.lit(20.5), skeletal_anchorage=pl.lit("no")
        ),
        "visits": pl.DataFrame(
            [
                {"case_id": case, "timepoint": timepoint, "months_from_start": months, "mouth_posture": "closed"}
                for case in ids
                for timepoint, months in (("start", 0.0), ("finish", 22.5))
            ]
        ),
        "measurements": pl.DataFrame(readings, schema=["case_id", "timepoint", "measure", "value"], orient="row"),
        "landmarks": pl.DataFrame(
            [
                {
                    "case_id": ids[0],
                    "timepoint": "start",
                    "view": "lateral_radiograph",
                    "landmark": code,
                    "x": x,
                    "y": y,
                }
                for code, (x, y) in points.items()
            ]
        ).with_columns(unit=pl.lit("mm"), y_axis=pl.lit("up"), faces=pl.lit("right")),
    }


def clean_cases() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "case_id": case_ids(),
            "sex": ["male", "female"] * (N_CLEAN // 2),
            "age_at_start": [10.5 + number / 4 for number in range(N_CLEAN)],
            "incisor_class": ["I", "II/1", "II/2"] * (N_CLEAN // 3),
            "extracted_teeth": ["none", "14 24"] * (N_CLEAN // 2),
            "start_quarter": "2019-Q3",
            "selection": "consecutive",
            "status": "finished",
            "comparison": "treated",
            "clinician": "C1",
        }
    )


@pytest.fixture(scope="session")
def clean_wide() -> pl.DataFrame:
    """The same cases, one row a case."""
    numbers = pl.int_range(N_CLEAN) / 10
    return clean_cases().with_columns(
        phase_1_appliance_category=pl.lit("clear_aligner"),
        phase_1_months_from_start=pl.lit(0.0),
        phase_1_months_duration=pl.lit(18.0),
        months_from_start_finish=pl.lit(19.5),
        sna_deg_start=81.0 + numbers,
        snb_deg_start=78.0 + numbers,
        sn_gogn_deg_start=31.0 + numbers,
        sna_deg_finish=80.5 + numbers,
        snb_deg_finish=78.2 + numbers,
        sn_gogn_deg_finish=30.5 + numbers,
    )


@pytest.fixture(scope="session")
def clean_dated(clean_wide: pl.DataFrame) -> pl.DataFrame:
    """The same with dates in place of age, quarter and months."""
    return clean_wide.drop("age_at_start", "start_quarter", "months_from_start_finish").with_columns(
        birth_date=pl.lit("2008-02-29"), start_date=pl.lit("2019-08-05"), finish_date=pl.lit("2021-03-17")
    )


@pytest.fixture(scope="session")
def deliver() -> Callable[..., Delivery]:
    """Builds a delivery from contract tables; rows are numbered from 2 where the frame does not say."""

    def made(
        layout: str = "tabular",
        *,
        name: str = "file.csv",
        columns: Mapping[str, str] | None = None,
        problems: list[tuple[str, int, str, str, str]] | None = None,
        **tables: pl.DataFrame,
    ) -> Delivery:
        numbered = {table: _with_rows(frame) for table, frame in tables.items()}
        main = numbered["cases"] if layout == "wide" else next(iter(numbered.values()))
        return Delivery(
            source=FileSource(name, "0" * 64, 100),
            layout=layout,  # type: ignore[arg-type]
            practice="P1",
            n_read=main.height,
            tables=numbered,
            columns=columns or {},
            problems=pl.DataFrame(problems or [], schema=PROBLEM_SCHEMA, orient="row"),
        )

    return made


PROBLEM_SCHEMA = {"table": pl.String, "row": pl.UInt32, "column": pl.String, "rule": pl.String, "found": pl.String}


def _with_rows(frame: pl.DataFrame) -> pl.DataFrame:
    if "row" in frame.columns:
        return frame.with_columns(pl.col("row").cast(pl.UInt32))
    return frame.with_row_index("row", offset=2)


@pytest.fixture(scope="session")
def examiner() -> Examiner:
    return Examiner()


@pytest.fixture(scope="session")
def holds(deliver: Callable[..., Delivery], examiner: Examiner) -> Callable[..., list[bool]]:
    """Which rows of its table a rule holds for, given contract tables (one tabular file a table)."""
    rules = load_rules(load_contract(), CATALOGUE)

    def asked(rule_id: str, /, *, known: list[str] | None = None, **tables: pl.DataFrame) -> list[bool]:
        rule = rules[rule_id]
        assembled = assemble(
            [deliver(**{table: frame}) for table, frame in tables.items()],
            catalogue=CATALOGUE,
            known_cases=pl.Series(known, dtype=pl.String) if known else None,
        )
        failing = set(examiner.failing([rule], Judged(assembled.tables))[rule.id].tolist())
        return [position not in failing for position in range(assembled.tables[rule.table].height)]

    return asked
