from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from openpyxl import load_workbook
from polars.testing import assert_frame_equal

from synthetic_data.exports import (
    KEY_FOLDER,
    Cohort,
    Handover,
    tables,
    wide_frame,
    write_practices,
)
from synthetic_data.tracing import FORMULAS
from tests.large_file import COLUMNS, large_wide_csv


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def handovers(demo: Cohort, folder: Path) -> dict[str, Handover]:
    return {one.practice: one for one in write_practices(demo, folder, np.random.default_rng(1))}


def test_each_practice_hands_over_a_folder_of_its_own(handovers: dict[str, Handover], folder: Path) -> None:
    assert list(handovers) == ["HARBOUR", "QUARRY", "ORCHARD", "MILLRACE", "LIGHTHOUSE", "FERRY", "FOXGLOVE"]
    for practice, one in handovers.items():
        assert {path.parent for path in one.files} == {folder / practice}
        assert all(path.stat().st_size > 1000 for path in one.files)
    assert [practice for practice, one in handovers.items() if one.mapping] == ["ORCHARD"]


def test_tabular_files_read_back_as_they_were(handovers: dict[str, Handover], demo: Cohort) -> None:
    for practice in ("HARBOUR", "MILLRACE", "FOXGLOVE"):
        frames = tables(demo.of_practice(practice))
        assert [path.stem for path in handovers[practice].files] == list(frames)
        for path in handovers[practice].files:
            expected = frames[path.stem]
            assert_frame_equal(pl.read_csv(path, schema=expected.schema), expected)


def test_the_workbook_reads_back_as_it_was(handovers: dict[str, Handover], demo: Cohort) -> None:
    book = load_workbook(handovers["LIGHTHOUSE"].files[0], read_only=True)
    expected = wide_frame(demo.of_practice("LIGHTHOUSE"))
    names, *rows = book["cases"].iter_rows(values_only=True, max_col=expected.width)
    book.close()
    assert list(names) == expected.columns
    assert_frame_equal(pl.DataFrame(rows, schema=expected.schema, orient="row"), expected)


def test_the_wide_file_holds_what_the_tables_hold(demo: Cohort) -> None:
    mine = demo.of_practice("LIGHTHOUSE")
    wide = wide_frame(mine)
    finish = mine.readings.filter(pl.col("timepoint") == "finish", pl.col("repeat_no") == 1)
    assert (
        wide["sn_gogn_deg_finish"]
        .drop_nulls()
        .sort()
        .equals(finish["sn_gogn_deg"].drop_nulls().sort(), check_names=False)
    )
    assert wide["sn_gogn_deg_finish_repeat2"].drop_nulls().len() > 5
    assert wide["phase_1_appliance_category"].null_count() == 0
    assert wide.height == mine.cases.height == wide["case_id"].n_unique()


def test_points_stand_instead_of_values_or_beside_them(demo: Cohort) -> None:
    mine = demo.of_practice("MILLRACE")
    (millrace,) = [p for p in mine.settings.practices if p.landmarks == "instead"]
    instead = tables(mine)
    assert not set(instead["measurements"]["measure"]) & set(FORMULAS)
    assert {"par_uk_points", "irregularity_mm"} <= set(instead["measurements"]["measure"])
    settings = replace(mine.settings, practices=(replace(millrace, landmarks="beside"),))
    beside = tables(replace(mine, settings=settings))
    assert set(FORMULAS) <= set(beside["measurements"]["measure"])
    assert_frame_equal(instead["landmarks"], beside["landmarks"])


def test_the_key_and_the_clean_form_lie_apart(handovers: dict[str, Handover], folder: Path) -> None:
    handed = {path for one in handovers.values() for path in one.files}
    assert (folder / KEY_FOLDER / "orchard-clean.csv").exists()
    assert not any(KEY_FOLDER in path.parts for path in handed)


def test_the_large_file_has_as_many_rows_as_asked(tmp_path: Path) -> None:
    frame = pl.read_csv(large_wide_csv(tmp_path / "large.csv", 3000, 1))
    assert frame.shape == (3000, 25)
    assert frame.columns == list(COLUMNS)
    assert frame["case_id"].n_unique() == 3000
    assert frame["sn_gogn_deg_start"].null_count() / 3000 < 0.05


def test_the_large_file_is_written_in_chunks_of_one_header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.large_file.CHUNK", 400)
    path = large_wide_csv(tmp_path / "large.csv", 1000, 1)
    assert pl.read_csv(path)["case_id"].str.head(3).unique().sort().to_list() == ["AAX", "ABX", "ACX"]
    assert pl.read_csv(path)["case_id"].n_unique() == 1000
    assert path.read_bytes() == large_wide_csv(tmp_path / "again.csv", 1000, 1).read_bytes()
