"""Warehouses that tests share: a copy is what would be made, and nobody gets at what is kept."""

from __future__ import annotations

from pathlib import Path

from tests.hand_made import Copies, load_rows, made_case
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.upkeep.verify import verify


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_what_is_kept_is_given_to_other_tests_whole_and_stays_as_it_was(tmp_path: Path) -> None:
    rows = [made_case("a", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=35.0)]
    records = load_rows(tmp_path / "w", rows)
    kept = Copies(place=tmp_path / "kept")
    assert kept.got("rows", tmp_path / "none", "one") is None
    kept.keep("rows", tmp_path / "w", "one", records)
    assert kept.got("rows", tmp_path / "none", "one") is None, "to the test that made it"
    before = content(tmp_path / "w")
    for test in ("two", "three"):
        assert kept.got("rows", tmp_path / test, test) == records
        assert content(tmp_path / test) == before
        assert verify(tmp_path / test).is_sound
        with Reader.open(tmp_path / test) as reader:
            assert rates(reader).groups[0].counted.n == 1
        load_rows(tmp_path / test, [made_case("b", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=35.0)], source=test)
        assert content(tmp_path / test) != before
