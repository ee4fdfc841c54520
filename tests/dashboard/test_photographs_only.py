"""A practice that owns no radiograph, from its file by the page for it to its talk in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Browser, Page
from pptx import Presentation
from streamlit.testing.v1 import AppTest

from tests.dashboard.browsing import person, rest, served, take_along
from tests.dashboard.conftest import APP, VARIABLES, carried_out_here, everything_said
from tests.dashboard.test_bring_in_page import LOAD, TRY_OUT, pressed
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.contrast import compare_pair
from warehouse.questions.shares import rates
from warehouse.words.shares import headline

N, N_TWICE = 90, 30
ALIKE = {"head_pose": "natural", "teeth_together": "yes", "photo_lips": "relaxed", "camera_distance_m": 1.5}


def photographs() -> pl.DataFrame:
    """One row a case: facial index from a frontal photograph, nose tip to incisor with a ruler. No film."""
    rng = np.random.default_rng(5)
    index, change = rng.normal(86, 5, N).round(1), rng.normal(0.9, 2.4, N).round(1)
    age = rng.uniform(7, 13, N).round(1)
    nose = (23 + age + rng.normal(0, 1.5, N)).round(1)
    said = {f"{name}_{time}": [one] * N for name, one in ALIKE.items() for time in ("start", "finish")}
    return pl.DataFrame(
        {
            "case_id": [f"P{number:03}" for number in range(N)],
            "sex": [("female", "male")[number % 2] for number in range(N)],
            "age_at_start": age,
            "selection": ["consecutive"] * N,
            "status": ["finished"] * N,
            "comparison": ["treated"] * N,
            "incisor_class": [("I", "II/1")[number % 3 == 0] for number in range(N)],
            "phase_1_appliance_category": [("fixed_labial", "functional_removable")[number % 2] for number in range(N)],
            "mouth_posture_start": [("closed", "open")[number % 4 == 0] for number in range(N)],
            "months_from_start_finish": [24] * N,
            **said,
            "facial_index_pct_start": index,
            "facial_index_pct_finish": (index + change).round(1),
            "nose_tip_to_incisor_mm_start": nose,
            "nose_tip_to_incisor_mm_finish": (nose + rng.normal(2.0, 1.0, N)).round(1),
        }
    )


def second_readings(first: pl.DataFrame) -> pl.DataFrame:
    """The start records of the first cases read once more, off by what the hand is off."""
    rng, again = np.random.default_rng(6), first.head(N_TWICE)
    parts = [
        again.select(
            "case_id",
            pl.lit("start").alias("timepoint"),
            pl.lit(code).alias("measure"),
            (pl.col(f"{code}_start") + pl.Series(rng.normal(0, error, N_TWICE))).round(1).alias("value"),
            pl.lit(2).alias("repeat_no"),
        )
        for code, error in (("facial_index_pct", 0.8), ("nose_tip_to_incisor_mm", 0.5))
    ]
    return pl.concat(parts)


@pytest.fixture(scope="module")
def warehouse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The warehouse after both files of the practice were brought in by the page for it: no command was typed.

    The page is worked without a browser; in one, files are brought in by tests/dashboard/test_own_files_by_page.py.
    """
    place = tmp_path_factory.mktemp("photographs")
    first = photographs()
    first.write_csv(place / "cases.csv")
    second_readings(first).write_csv(place / "readings.csv")
    with pytest.MonkeyPatch.context() as patched:
        for name in VARIABLES:
            patched.delenv(name, raising=False)
        patched.setenv("MENTON_WAREHOUSE", str(place / "w"))
        carried_out_here(patched)
        for file in ("cases.csv", "readings.csv"):
            bring_in(place / file)
    return place / "w"


def bring_in(file: Path) -> None:
    page = AppTest.from_file(str(APP), default_timeout=300).run()
    page.switch_page("../pages/bring_in.py").run()
    page.file_uploader[0].upload(file.name, file.read_bytes(), "text/csv").run()
    page.text_input[0].set_value("QUAYSIDE").run()
    pressed(page, TRY_OUT)
    assert re.search(r"rows would be loaded, 0 turned away", everything_said(page))
    pressed(page, LOAD)
    assert [one.value for one in page.success] == ["Loaded. Every page now shows the new build."]


@pytest.fixture(scope="module")
def page(browser: Browser, warehouse: Path) -> Iterator[Page]:
    """The pages of it in a browser."""
    with served(warehouse) as address, person(browser, address, base_url=str(address)) as context:
        yield context.new_page()


def said(page: Page, place: str) -> str:
    page.goto(f"/{place}")
    page.wait_for_selector(".menton-behind", state="attached")
    rest(page)
    assert page.locator("[data-testid=stException], [data-testid=stAlert]").all_inner_texts() == []
    return re.sub(r"\s+", " ", page.locator("[data-testid=stMain]").inner_text())


def test_the_headline_and_the_adjustment_follow_the_photographs(warehouse: Path) -> None:
    with Reader.open(warehouse) as reader:
        assert reader.definition().id == "D6"
        assert rates(reader).groups[0].counted.n == N
        asked = Question(by="appliance_category", first="fixed_labial", second="functional_removable")
        found = compare_pair(reader, asked)
        errors = dict(reader.connection.rows("select measure, n_pairs from mart_method_errors where is_used"))
    assert found.adjusted_for == ("age at start", "sex", "facial index at start", "incisor class at start")
    assert found.question.strata == ("face_form", "age_band")
    assert found.n == N
    assert "mandibular plane angle at start" not in found.not_adjusted_for  # nobody has one
    assert errors == {"facial_index_pct": N_TWICE, "nose_tip_to_incisor_mm": N_TWICE}


def test_from_file_to_talk_without_a_radiograph(page: Page, warehouse: Path, tmp_path: Path) -> None:
    with Reader.open(warehouse) as reader:
        result = rates(reader)
    sentence = headline(result)
    first = said(page, "")
    assert "Facial index on photographs" in first
    assert sentence in first
    # what such cases have comes first, and no film is named before it
    assert first.index(sentence) < first.index("Better: moved as far the other way")
    assert not re.search("film|radiograph|mandibular plane|cranial base", first, re.IGNORECASE)
    assert "facial index" in said(page, "readings").lower()
    assert re.search(r"with narrow \(\d+ counted", said(page, "comparisons?by=face_form"))
    page.goto("/take_along")
    kept = take_along(page, "Slides with notes (PPTX)", tmp_path)
    slides = list(Presentation(str(kept)).slides)
    shown = " ".join(shape.text_frame.text for slide in slides for shape in slide.shapes if shape.has_text_frame)
    spoken = "".join(slide.notes_slide.notes_text_frame.text for slide in slides)
    assert f"{result.groups[0].adverse.n} of the {N} cases counted" in shown + spoken or "".join(
        sentence.split()
    ) in "".join(spoken.split())
    assert "no case could be counted" not in shown.lower()
    report = take_along(page, "One web page (HTML)", tmp_path).read_text(encoding="utf-8")
    assert "Facial index on photographs" in report
    assert "No case could be counted" not in report
