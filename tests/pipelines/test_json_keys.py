"""`pipelines/commands/json.md` names every key that a command prints with ``--json``, and none else."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

import pipelines.commands
from pipelines.cli import main
from pipelines.commands.options import FORMAT
from pipelines.ingest.ingest import Request, ingest
from tests.conftest import Study
from tests.hand_made import load_rows
from tests.pipelines.points.test_measure_command import G1, rows_of
from tests.pipelines.test_comparison_commands import READ
from tests.warehouse.questions.cohort import cohort_rows
from tests.warehouse.questions.planning import add_plan

DOCUMENT = Path(pipelines.commands.__path__[0]) / "json.md"
ROW = re.compile(r"^\| `([^`]+)` \| (.+) \|$", re.MULTILINE)
RUNS = [(name.split()[0], *options) for name, options in READ.items()] + [
    ("compare", "--plan", "P1"),
    ("compare", "--by", "appliance_group", "--a", "two_phase", "--b", "fixed_labial", "--landmark", "9"),
    ("rate", "--by", "extraction"),
    ("results",),
    ("drift", "--usual", "0.1"),
    ("drift", "--baseline", "10"),
    ("changes", "--three-times", "--measure", "sn_gogn_deg"),
    ("definitions",),
    ("measures",),
    ("growth",),
]
ONE_ROW_WRONG = (
    "case_id,sex,age_at_start,selection,status,comparison,phase_1_appliance_category,months_from_start_finish,"
    "sn_gogn_deg_start,sn_gogn_deg_finish\n"
    "a,female,11.0,consecutive,finished,treated,fixed_labial,24,32,340\n"
)


def described() -> dict[str, str]:
    """Key -> what the document says of it; of a key described twice, the first."""
    rows = ROW.findall(DOCUMENT.read_text(encoding="utf-8"))
    return dict(reversed(rows))


MAPS = {key: 1 + said.count(", then by ") for key, said in described().items() if said.startswith("By ")}
"""Key -> how many levels below it have keys that are data: reasons, codes of groups, names of columns."""


def keys_of(data: Any, *, data_levels: int = 0) -> Iterator[str]:
    if isinstance(data, list):
        for one in data:
            yield from keys_of(one, data_levels=data_levels)
    elif isinstance(data, dict):
        for key, value in data.items():
            if data_levels:
                yield from keys_of(value, data_levels=data_levels - 1)
            else:
                yield key
                yield from keys_of(value, data_levels=MAPS.get(key, 0))


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory, study: Study) -> list[dict[str, Any]]:
    """What every command prints, on a hand-made cohort and on the study group."""
    folder = tmp_path_factory.mktemp("keys")
    load_rows(folder / "w", cohort_rows(120))
    add_plan(folder / "w")
    points = folder / "points.json"
    points.write_text(json.dumps(rows_of("17", "start", G1)), encoding="utf-8")
    runs = [(*run[:1], "--warehouse", str(folder / "w"), *run[1:]) for run in RUNS]
    (folder / "wrong.csv").write_text(ONE_ROW_WRONG, encoding="utf-8")
    ingest(Request(paths=(folder / "wrong.csv",), warehouse=folder / "wrong"))
    runs += [("repeats", "--warehouse", str(study.warehouse)), ("quarantine", "--warehouse", str(folder / "wrong"))]
    assert main(["records", "--warehouse", str(folder / "w"), "--out", str(folder / "records")]) == 0
    build = ("build", "--records", str(folder / "records"), "--out", str(folder / "built"))
    found = []
    for run in [*runs, ("measure", str(points)), ("draft-mapping", str(folder / "wrong.csv")), build]:
        with redirect_stdout(StringIO()) as printed:
            assert main([*run, "--json"]) == 0
        found.append(json.loads(printed.getvalue()))
    return found


def test_every_answer_says_its_form(printed: list[dict[str, Any]]) -> None:
    assert {one["format"] for one in printed} == {FORMAT}


def test_the_document_names_every_key_and_none_else(printed: list[dict[str, Any]]) -> None:
    occurring = {key for one in printed for key in keys_of(one)}
    assert sorted(occurring - set(described())) == []
    assert sorted(set(described()) - occurring) == []


def test_an_estimate_is_always_written_the_same_way(printed: list[dict[str, Any]]) -> None:
    def estimates(data: Any) -> Iterator[tuple[str, ...]]:
        if isinstance(data, dict):
            if "estimand" in data:
                yield tuple(sorted(data))
            data = list(data.values())
        if isinstance(data, list):
            for one in data:
                yield from estimates(one)

    (keys,) = set(estimates(printed))
    assert {"value", "interval", "level", "method", "n", "unit", "warnings"} <= set(keys)
