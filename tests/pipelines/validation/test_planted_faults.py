"""Every planted fault is caught by its rule at its row; no clean row is turned away; every rule has a fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

from pipelines.checking.rules import load_rules
from pipelines.checking.validation import validate
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Delivery, Sorted
from pipelines.points.tracing import with_readings
from tests.pipelines.validation.planting import FILE_FAULTS, Planted, faults_for, plant_faults, plant_file_fault
from warehouse.errors import BadFileError, MentonError
from warehouse.measures.catalogue import CATALOGUE

Frames = Mapping[str, pl.DataFrame]
Door = Callable[[Frames], list[Delivery]]
LAYOUTS = ("tabular", "wide", "dated", "mixed")


@dataclass(frozen=True)
class Run:
    planted: Planted
    results: dict[str, Sorted]

    def found(self) -> pl.DataFrame:
        parts = [
            frame.with_columns(file=pl.lit(name), away=pl.lit(away))
            for name, result in self.results.items()
            for frame, away in ((result.turned_away, True), (result.remarks, False))
        ]
        return pl.concat(parts)


@pytest.fixture(scope="module")
def runs(door: Door, clean_tables: Frames, clean_wide: pl.DataFrame, clean_dated: pl.DataFrame) -> dict[str, Run]:
    files = {
        "tabular": clean_tables,
        "wide": {"wide": clean_wide},
        "dated": {"wide": clean_dated},
        "mixed": {"wide": clean_wide, "measurements": _second_readings(clean_tables["measurements"])},
    }
    return {layout: _run(frames, door) for layout, frames in files.items()}


def _second_readings(measurements: pl.DataFrame) -> pl.DataFrame:
    return measurements.with_columns(pl.col("value") + 0.3, repeat_no=pl.lit(2))


def _run(frames: Frames, door: Door) -> Run:
    contract = load_contract()
    planted = plant_faults(frames, np.random.default_rng(7), contract=contract, catalogue=CATALOGUE)
    deliveries = [_measured(one) for one in door(planted.frames)]
    results = validate(deliveries, contract=contract, catalogue=CATALOGUE)
    return Run(planted, dict(zip(planted.frames, results, strict=True)))


def _measured(delivery: Delivery) -> Delivery:
    return with_readings(delivery, stored=None, visits=None, catalogue=CATALOGUE)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_planted_fault_is_caught_by_its_rule_at_its_row_and_column(runs: dict[str, Run], layout: str) -> None:
    run = runs[layout]
    found = run.found()
    missed = []
    for fault in run.planted.key.iter_rows(named=True):
        here = found.filter(
            pl.col("file") == fault["file"], pl.col("row") == fault["row"], pl.col("rule") == fault["rule"]
        )
        named = [column for cell in here["column"].to_list() if cell is not None for column in cell.split(", ")]
        if here.is_empty() or (named and fault["column"] not in named):
            missed.append((fault, named))
    assert missed == []
    assert run.planted.key.height > 0


@pytest.mark.parametrize("layout", LAYOUTS)
def test_no_clean_row_is_turned_away_or_remarked_on(runs: dict[str, Run], layout: str) -> None:
    run = runs[layout]
    found = run.found()
    for file, clean in run.planted.clean.items():
        rows = set(found.filter(pl.col("file") == file)["row"])
        assert clean & rows == set()
        assert len(clean) >= 4


@pytest.mark.parametrize("layout", LAYOUTS)
def test_only_rules_that_reject_turn_rows_away(runs: dict[str, Run], layout: str) -> None:
    run = runs[layout]
    rules = load_rules(load_contract(), CATALOGUE)
    severity = {rule.id: rule.severity for rule in rules.values()}
    found = run.found().with_columns(severity=pl.col("rule").replace_strict(severity))
    rejected = found.filter(pl.col("severity") == "reject")
    assert rejected["away"].all()
    away = found.filter("away").select("file", "row").unique()
    assert away.join(rejected, on=["file", "row"], how="anti").is_empty()


@pytest.mark.parametrize("layout", ["tabular", "wide"])
def test_a_fault_that_only_warns_leaves_its_case_in(runs: dict[str, Run], layout: str) -> None:
    run = runs[layout]
    rules = load_rules(load_contract(), CATALOGUE)
    warned = [
        fault
        for fault in run.planted.key.iter_rows(named=True)
        if rules[fault["rule"]].severity == "warn" and fault["rule"] != "X010"  # two rows of one case are a double key
    ]
    remarks = run.found().filter(~pl.col("away")).select("file", "row", "rule").rows()
    assert len(warned) > 40
    assert [one for one in warned if (one["file"], one["row"], one["rule"]) not in remarks] == []


@pytest.mark.parametrize("layout", LAYOUTS)
def test_rows_read_are_rows_good_plus_rows_turned_away(runs: dict[str, Run], layout: str) -> None:
    for file, result in runs[layout].results.items():
        assert result.delivery.n_read == runs[layout].planted.frames[file].height
        assert result.n_good + result.n_turned_away == result.delivery.n_read
        assert result.n_turned_away == result.turned_away["row"].n_unique() or result.n_turned_away == 0
        assert result.n_good > 0


def test_every_rule_has_a_planted_fault(runs: dict[str, Run]) -> None:
    rules = set(load_rules(load_contract(), CATALOGUE))
    planted = {rule for run in runs.values() for rule in run.planted.key["rule"]}
    assert planted | set(FILE_FAULTS) == rules


def test_every_fault_is_planted_in_each_layout_it_can_stand_in(runs: dict[str, Run]) -> None:
    for layout in LAYOUTS:
        expected = {fault.rule for fault in faults_for(layout, load_contract(), CATALOGUE)}
        assert set(runs[layout].planted.key["rule"]) == expected


@pytest.mark.parametrize("rule", FILE_FAULTS)
@pytest.mark.parametrize("files", ["tables", "wide"])
def test_a_file_with_a_fault_as_a_whole_is_refused(
    door: Door, clean_tables: Frames, clean_wide: pl.DataFrame, rule: str, files: str
) -> None:
    clean = clean_tables if files == "tables" else {"wide": clean_wide}
    with pytest.raises(MentonError) as refusal:
        validate(door(plant_file_fault(clean, rule)), contract=load_contract(), catalogue=CATALOGUE)
    # A column that is missing or unknown is refused by name before any row is looked at; the rest by the rule.
    if isinstance(refusal.value, BadFileError):
        assert refusal.value.found.startswith(rule) or rule == "F004"


def test_the_same_seed_plants_the_same_faults(clean_wide: pl.DataFrame) -> None:
    keys = [
        plant_faults({"wide": clean_wide}, np.random.default_rng(3), contract=load_contract(), catalogue=CATALOGUE)
        for _ in range(2)
    ]
    assert keys[0].key.equals(keys[1].key)
    assert keys[0].frames["wide"].equals(keys[1].frames["wide"])
