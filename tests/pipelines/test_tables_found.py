"""Which files a set of paths means."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.reading.files import discover
from warehouse.errors import BadFileError


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True, parents=True)
        (folder / name).write_text("x")


def test_a_folder_stands_for_its_tables_in_order_of_name(tmp_path: Path) -> None:
    touch(tmp_path, "b.CSV", "a.xlsx", "C.parquet", "d.tsv", "e.txt", "points.json", "f.pdf", "menton-data/g.csv")
    touch(tmp_path, "~$a.xlsx", ".hidden.csv", "datapackage.json")
    names = [path.name for path in discover([tmp_path])]
    assert names == ["a.xlsx", "b.CSV", "C.parquet", "d.tsv", "e.txt", "points.json"]


def test_files_come_in_the_order_given_and_once(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv", "b.csv", "c.odd")
    paths = [tmp_path / "b.csv", tmp_path / "c.odd", tmp_path, tmp_path / "." / "a.csv"]
    assert [path.name for path in discover(paths)] == ["b.csv", "c.odd", "a.csv"]


def test_a_missing_path_is_named_without_its_folder(tmp_path: Path) -> None:
    with pytest.raises(BadFileError, match="no such file or folder") as error:
        discover([tmp_path / "gone"])
    assert error.value.where == "gone"


def test_a_folder_without_tables_says_what_was_looked_for(tmp_path: Path) -> None:
    with pytest.raises(BadFileError, match="holds no table") as error:
        discover([tmp_path])
    assert ".csv, .txt, .tsv, .xlsx, .xls, .ods, .parquet, .json" in error.value.expected
    assert "put the exported tables there" in error.value.remedy
    touch(tmp_path, "below/a.csv")
    with pytest.raises(BadFileError, match="name the folder below it"):
        discover([tmp_path])


def test_a_folder_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(tmp_path), "iterdir", locked)
    with pytest.raises(BadFileError, match="Permission denied"):
        discover([tmp_path])
