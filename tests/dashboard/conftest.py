"""A small warehouse for the pages: two practices of invented cases, second readings, points, a row turned away."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import chdir, redirect_stderr, redirect_stdout
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import streamlit as st
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest, app_test

from dashboard.parts import upload
from pipelines.cli import main
from tests.hand_made import load_rows, made_case
from tests.study_group import group_result
from warehouse.marts.catalogues import register
from warehouse.marts.publish import publish
from warehouse.marts.reader import Reader
from warehouse.pooled.kept_results import Kept, kept_path, kept_text
from warehouse.pooled.shares import tag_of
from warehouse.store.store import open_store

APP = Path(__file__).parents[2] / "dashboard" / "entry" / "app.py"
APPLIANCES = ("fixed_labial", "functional_removable", "expander_tooth_borne")
FACE = {
    "S": (0.0, 0.0),
    "N": (70.0, 8.0),
    "Or": (56.0, -22.0),
    "Po": (-18.0, -20.0),
    "Go": (-10.0, -74.0),
    "Me": (46.0, -106.0),
    "Gn": (51.0, -103.0),
}


def cases(practice: str, n: int, *, seed: int, excess: float) -> list[dict[str, Any]]:
    """Cases of one practice. ``excess`` is what its appliances add to the plane, in degrees, beyond chance."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(n):
        start, change = float(rng.normal(32, 4)), float(rng.normal(excess, 1.6))
        fields: dict[str, Any] = {
            "sex": ("female", "male")[number % 2],
            "age_at_start": round(float(rng.uniform(8, 16)), 2),
            "appliance": APPLIANCES[number % 3],
            "extracted_teeth": ("none", "14 24 34 44")[number % 4 == 0],
            "start_quarter": f"{2019 + number % 3}-Q1",
            "incisor_class": ("I", "II/1")[number % 2],
            "sn_gogn_deg_start": round(start, 1),
            "par_uk_points_start": 30.0,
        }
        if number % 9 == 5:
            fields["status"] = "moved_away"
        else:
            fields |= {
                "sn_gogn_deg_finish": round(start + change, 1),
                "par_uk_points_finish": float(4 + 3 * (number % 9)),
            }
        rows.append(made_case(f"{practice}-{number}", **fields))
    rows += [
        made_case(
            f"{practice}-seen-{number}",
            appliance=None,
            comparison="untreated",
            sn_gogn_deg_start=32.0,
            sn_gogn_deg_finish=31.0 + number,
        )
        for number in range(4)
    ]
    return rows


def add_second_readings(folder: Path) -> None:
    """Read the first thirty records of each practice again, a little differently; two by another examiner too."""
    with open_store(folder) as store:
        store.execute(
            "insert into readings by name select * exclude (repeat_no, sn_gogn_deg), 2 as repeat_no,"
            " sn_gogn_deg + 0.1 * (case_no % 7 - 3) as sn_gogn_deg from readings"
            " where timepoint = 'start' and replaced_by is null and case_no % 2 = 0"
        )
        store.execute(
            "insert into readings by name select * exclude (examiner, sn_gogn_deg), 'E2' as examiner,"
            " sn_gogn_deg + 0.5 as sn_gogn_deg from readings where timepoint = 'start' and repeat_no = 1"
            " and examiner = 'E1' and case_no % 10 = 0"
        )


def add_points(folder: Path) -> None:
    """Points of one case at both times, in millimetres."""
    with open_store(folder) as store:
        for timepoint, fall in (("start", 0.0), ("finish", 4.0)):
            for landmark, (x, y) in FACE.items():
                lower = fall if landmark in {"Me", "Gn"} else 0.0
                store.execute(
                    "insert into landmarks values (1, 1, 1, ?, 'lateral_radiograph', ?, ?, ?, 'mm', 'up', 'right',"
                    " 'E1', 1, null)",
                    [timepoint, landmark, x, y - lower],
                )


def turn_a_row_away(folder: Path) -> None:
    """One row that broke a rule, and the words of that rule."""
    with open_store(folder) as store:
        register(
            store, "setting", "rules", "1", json.dumps({"X001": ["The finish lies before the start.", "Correct it."]})
        )
        store.execute(
            "insert into turned_away values (1, 'cases', 99, 'months_from_start', 'X001', '-3', 'no such case')"
        )


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The warehouse folder; read it, never write to it."""
    made = tmp_path_factory.mktemp("dashboard") / "cases"
    load_rows(made, cases("HARBOUR", 72, seed=11, excess=0.4), practice="HARBOUR", source="harbour.csv")
    load_rows(made, cases("QUARRY", 48, seed=12, excess=0.9), practice="QUARRY", source="quarry.csv")
    add_second_readings(made)
    add_points(made)
    turn_a_row_away(made)
    with open_store(made) as store:
        publish(made, store, again=True)
    keep_a_result(made)
    return made


def keep_a_result(folder: Path) -> None:
    """The result of a study group, as one of its practices keeps it: HARBOUR is the practice with 9 adverse cases."""
    found = group_result(12, 3, 9, 20, 15, 11)
    path = kept_path(folder, found.group)
    path.parent.mkdir(exist_ok=True)
    path.write_text(kept_text(Kept(found, {"HARBOUR": tag_of("P-002", "salt")})), encoding="utf-8")


@pytest.fixture(scope="session")
def reader(folder: Path) -> Iterator[Reader]:
    """The published snapshot."""
    with Reader.open(folder) as opened:
        yield opened


@pytest.fixture(scope="session", autouse=True)
def _read_once() -> Iterator[None]:
    """What stays as it is in a run: the packages that are installed, looked through by Streamlit for parts of pages
    before the first run of every page (half a second of processor time each), and the scripts of the pages."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests))
        patched.setattr(app_test, "ScriptCache", cache(app_test.ScriptCache))
        yield


VARIABLES = ("MENTON_VIEWER", "MENTON_READ_ONLY", "MENTON_ACCESS_FILE", "MENTON_ENCRYPTION_KEY_FILE", "MENTON_KEY_FILE")


@pytest.fixture(scope="session")
def _views() -> dict[Any, AppTest]:
    return {}


Open = Callable[..., AppTest]


@pytest.fixture
def opened(folder: Path, monkeypatch: pytest.MonkeyPatch, _views: dict[Any, AppTest]) -> Open:
    """Opens a page as a person would, with choices in its address; the same view is opened once for all tests.

    A test that goes on working with the page asks for ``fresh`` ones.
    """
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MENTON_WAREHOUSE", str(folder))

    def opening(page: str = "answer", *, fresh: bool = False, **address: str) -> AppTest:
        view = (
            page,
            tuple(sorted(address.items())),
            *(os.environ.get(name) for name in ("MENTON_WAREHOUSE", *VARIABLES)),
        )
        if fresh:  # what a test goes on working with is no view for others
            return _run(page, address)
        if view not in _views:
            _views[view] = _run(page, address)
        return _views[view]

    return opening


def _run(page: str, address: dict[str, str]) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=60)
    if page != "answer":
        app.switch_page(f"../pages/{page}.py")
    for name, value in address.items():
        app.query_params[name.rstrip("_")] = value
    return app.run()


@pytest.fixture
def commands_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands of a page are carried out in this process."""
    carried_out_here(monkeypatch)


def carried_out_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands of a page are carried out in this process, with all that one of their own is given: it takes seconds."""

    def run(
        words: Sequence[str], *, cwd: Path, env: Mapping[str, str], input: str, **_: object
    ) -> subprocess.CompletedProcess[str]:
        begins = len(upload.MENTON)
        assert tuple(words[:begins]) == upload.MENTON
        out, err = io.StringIO(), io.StringIO()
        with monkeypatch.context() as own, chdir(cwd), redirect_stdout(out), redirect_stderr(err):
            for name, value in env.items():
                own.setenv(name, value)
            own.setattr(tempfile, "tempdir", env["TMPDIR"])
            own.setattr(sys, "stdin", io.StringIO(input))
            try:
                code = main(words[begins:])
            except SystemExit as ended:
                code = int(ended.code or 0)
        return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())

    monkeypatch.setattr(upload, "subprocess", SimpleNamespace(run=run))


def everything_said(app: AppTest) -> str:
    """All text a page sends to the browser, chart rows and table cells included."""
    return "\n".join(str(element.proto) for element in app.main) + "\n".join(str(one.proto) for one in app.sidebar)


def saved_files(opened: Open, monkeypatch: pytest.MonkeyPatch, page: str, **address: str) -> dict[str, bytes]:
    """Every file that a page hands over, made as by its button: name -> content."""
    kept: dict[str, bytes] = {}

    def keep(_: str, made: object, *, file_name: str, **__: object) -> None:
        given = made() if callable(made) else made
        kept[file_name] = given.encode() if isinstance(given, str) else given  # type: ignore[assignment]

    monkeypatch.setattr(st, "download_button", keep)
    app = opened(page, fresh=True, **address)
    assert not [*app.exception, *app.error]
    return kept


def words_of(picture: bytes) -> str:
    """All that can be read in an SVG."""
    return " ".join(" ".join(ElementTree.fromstring(picture).itertext()).split())
