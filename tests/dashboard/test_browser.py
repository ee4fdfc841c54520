"""Every page in a real browser: it opens, it asks nobody but this machine, and a screen reader can use it."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import unquote

import openpyxl
import pytest
from playwright.sync_api import Browser, BrowserContext, Page
from pptx import Presentation
from pypdf import PdfReader

from tests.dashboard.browsing import (
    Served,
    choose,
    faults,
    menu,
    person,
    rest,
    served,
    slow_down,
    take_along,
    turn_to,
    until,
)
from warehouse.marts.reader import Reader
from warehouse.questions.shares import rates
from warehouse.words.shares import headline

pytestmark = pytest.mark.browser

HERE = Path(__file__).parent
AXE = HERE / "node_modules" / "axe-core" / "axe.min.js"
# sha512 of axe.min.js of the version that package.json names, taken when it was chosen
AXE_SHA512 = (
    "e63e659f9806d7ae5bd40899043b0871a5062c5442b01b3f1a3edf5eaf50bf5c"
    "3a7104a72463293b4ad1b77c661a0d4e40e850dec89de9d6ece70a8c13a9af17"
)
PRACTICES = "practices?of=Lantern Bay, result 1 of 2026-02-01"
ADDRESSES = {
    "": "What happened",
    "answer": "What happened",
    "behind": "What is behind it",
    "comparisons": "Do groups differ?",
    "comparisons?and=sex": "Do groups differ?",
    "cases": "Case by case",
    "two?beside=practice=HARBOUR&practice=QUARRY": "Two selections",
    "practices": "How practices compare",
    PRACTICES: "How practices compare",
    "drift": "Is it drifting?",
    "readings": "How exact are the readings?",
    "data": "How complete are the data?",
    "methods": "How it is counted",
    "take_along": "Take along",
    "bring_in": "Bring in a file",
    "take_back": "Take back",
    "worklist": "What is left to do",
    "guide": "Start here",
    "plans?job=definition": "Plans and definitions",
    "group": "Study group",
    "group?here=coordinator&job=agreement": "Study group",
    "upkeep?job=restore": "Keep it safe",
    "present?message=3": "How far faces moved",
}

FAILED = "[data-testid=stException], [data-testid=stAlert]"
SHOWN = f".menton-behind, .st-key-present, {FAILED}"

# Faults of the libraries' own marks, which no page can mend: rule -> part of the place, and why.
NOT_OURS = {
    "svg-img-alt": "area_brush",  # the frame that Vega draws while an area is picked; it takes no description
}


@pytest.fixture(scope="session")
def axe() -> str:
    """The accessibility checker, installed once and held against its hash."""
    if not AXE.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.fail("npm is missing: the accessibility checker axe-core comes from it (Debian: apt install npm)")
        words = [
            npm,
            "install",
            "--prefix",
            str(HERE),
            "--ignore-scripts",
            "--no-package-lock",
            "--no-audit",
            "--no-fund",
        ]
        subprocess.run(words, check=True, capture_output=True, timeout=120)
    content = AXE.read_bytes()
    assert hashlib.sha512(content).hexdigest() == AXE_SHA512, "axe.min.js is not the file that was chosen"
    return content.decode("utf-8")


@pytest.fixture(scope="session")
def address(folder: Path) -> Iterator[Served]:
    """The dashboard, served as a person would serve it."""
    with served(folder) as at:
        yield at


@pytest.fixture(scope="session")
def asked() -> list[str]:
    """Every address that the browser asked for."""
    return []


@pytest.fixture(scope="session")
def tabs(browser: Browser, asked: list[str], address: Served) -> Iterator[dict[str, Page]]:
    """One tab a colour scheme for all tests, so that the frame of the page is fetched and read once."""
    contexts: list[BrowserContext] = []
    opened: dict[str, Page] = {}
    for scheme in ("light", "dark"):
        context = person(browser, address, color_scheme=scheme)
        context.on("request", lambda request: asked.append(request.url))
        contexts.append(context)
        opened[scheme] = context.new_page()
        slow_down(opened[scheme])
    yield opened
    for context in contexts:
        context.close()


Visit = Callable[..., "Page"]


@pytest.fixture
def visit(tabs: dict[str, Page], asked: list[str], address: str) -> Iterator[Visit]:
    """Opens a page and waits until it is at rest; at the end no request may have left this machine.

    A tab that lies at this address already is looked at as it is. With ``turning`` one where a page lies is not loaded
    anew, but turned to the other.
    """

    def visiting(
        place: str = "", *, width: int = 1280, height: int = 900, scheme: str = "light", turning: bool = False
    ) -> Page:
        tab = tabs[scheme]
        tab.set_viewport_size({"width": width, "height": height})
        if unquote(tab.url) != f"{address}/{place}":
            if turning and tab.url.startswith(address):
                turn_to(tab, f"/{place}")
            else:
                tab.goto(f"{address}/{place}")
            tab.wait_for_selector(SHOWN, state="attached")
            rest(tab)
            assert tab.locator(FAILED).all_inner_texts() == []
        rest(tab)
        return tab

    yield visiting
    own = (address, address.replace("http", "ws"), "data:", "blob:")
    assert asked, "the browser must have asked for something"
    assert [url for url in asked if not url.startswith(own)] == []


@pytest.fixture(scope="module", params=ADDRESSES, ids=lambda place: place or "start")
def place(request: pytest.FixtureRequest) -> str:
    """Every address in turn; tests of the same address are run one after the other, so that it is opened once."""
    return str(request.param)


def test_a_page_opens(visit: Visit, place: str) -> None:
    page = visit(place)
    assert page.locator("h1").first.inner_text() == ADDRESSES[place]
    assert page.locator(FAILED).all_inner_texts() == []


def test_a_page_can_be_used_without_seeing_it(visit: Visit, axe: str, place: str) -> None:
    assert faults(visit(place), axe, not_ours=NOT_OURS) == []


def test_a_page_fits_a_telephone(visit: Visit, place: str) -> None:
    page = visit(place, width=390, height=844)
    until(page, "() => document.documentElement.scrollWidth <= 390")
    seen = "[...document.querySelectorAll('.vega-embed svg, .vega-embed canvas')].map(e => e.getBoundingClientRect())"
    until(page, f"() => {seen}.every(box => box.left >= 0 && box.right <= 390)")


@pytest.mark.parametrize("bright", ["", "comparisons?and=sex", PRACTICES, "drift", "group", "plans?job=definition"])
def test_a_page_can_be_read_in_the_dark(visit: Visit, axe: str, bright: str) -> None:
    page = visit(bright, scheme="dark", turning=True)
    assert page.locator("h1").first.inner_text() == ADDRESSES[bright]
    ground = page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor")
    assert ground == "rgb(17, 23, 30)"
    assert faults(page, axe, not_ours=NOT_OURS) == []


def test_the_first_page_is_seen_at_a_glance_and_a_click_narrows_it_until_one_goes_back(visit: Visit) -> None:
    page = visit("answer", width=1440, height=900)
    last = page.get_by_text("Click on a row or a year").bounding_box()
    assert last is not None
    assert last["y"] + last["height"] <= 900
    assert page.locator("[data-testid=stVegaLiteChart]").count() == 5
    before = page.locator(".menton-said").first.inner_text()
    box = page.locator("[data-testid=stVegaLiteChart]").first.bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 12)
    until(page, "() => location.search.includes('appliance=')")
    until(page, "text => document.querySelector('.menton-said')?.innerText !== text", before)
    assert page.get_by_role("button", name="✕").count() == 1
    page.go_back()
    until(page, "text => document.querySelector('.menton-said')?.innerText === text", before)
    assert page.get_by_role("button", name="✕").count() == 0


def test_a_dot_opens_its_case(visit: Visit) -> None:
    page = visit("cases?class=adverse", width=1440, height=900)
    chart = page.locator("[data-testid=stVegaLiteChart]").first
    chart.scroll_into_view_if_needed()
    dots = chart.locator("svg .mark-symbol.role-mark path")
    dots.nth(3).click(force=True)
    until(page, "() => new URLSearchParams(location.search).get('case')")
    case = page.evaluate("new URLSearchParams(location.search).get('case')")
    until(page, "case_ => document.querySelector('[data-testid=stMain]').innerText.includes('case ' + case_)", case)


def test_every_page_has_a_title_of_its_own(visit: Visit) -> None:
    titles = [visit(place, turning=True).title() for place in ("behind", "comparisons", "cases", "methods")]
    assert len(set(titles)) == len(titles)
    assert all(title.endswith("· Menton") for title in titles)


def test_charts_have_words_and_the_page_carries_no_more_than_it_shows(visit: Visit, reader: Reader) -> None:
    page = visit("")
    labels = page.evaluate("[...document.querySelectorAll('[aria-label]')].map(e => e.ariaLabel)")
    assert any("Sampling frame. started:" in label for label in labels)
    keys = [key for (key,) in reader.connection.rows("select case_key from mart_cases")]
    source = page.content()
    assert not any(key[:10] in source for key in keys)


def test_arrow_keys_and_the_edges_turn_over_the_messages(visit: Visit) -> None:
    page = visit("present")
    page.keyboard.press("ArrowRight")
    until(page, "() => document.querySelector('h1')?.innerText === 'Who was counted'")
    until(page, "() => location.search.includes('message=2')")
    page.locator(".st-key-edge-back button").click()
    until(page, "() => document.querySelector('h1')?.innerText === 'The answer'")
    assert page.get_by_role("button", name="Full screen").is_visible()


# All that is seen of a screen: its words, its marks and its buttons; the frames around them may be wider than they.
BEYOND = """
() => [...document.querySelectorAll('.st-key-present :is(p, h1, button, a, svg.marks *)')].filter(one => {
  const {width, height, left, right, top, bottom} = one.getBoundingClientRect();
  return width > 0 && height > 0 && !one.closest('[class*=st-key-edge] button > *')
    && (right > innerWidth + 1 || bottom > innerHeight + 1 || left < -1 || top < -1);
}).map(one => one.outerHTML.slice(0, 90))
"""
SCROLLS = "() => ['html', '[data-testid=stMain]'].some(one => document.querySelector(one).scrollHeight > innerHeight)"
# A picture keeps clear of the words above and below it.
COVERED = """
() => {
  const [marks] = document.querySelectorAll('.st-key-present svg.marks');
  if (!marks) return false;
  const around = [...marks.querySelectorAll('text')].map(one => one.getBoundingClientRect()).filter(one => one.width);
  const said = [...document.querySelectorAll('.st-key-present .menton-large p, .st-key-turn .menton-fine')]
    .map(one => one.getBoundingClientRect());
  const meet = (a, p) => a.top < p.bottom - 2 && a.bottom > p.top + 2 && a.left < p.right && a.right > p.left;
  return said.some(p => around.some(a => meet(a, p)));
}
"""


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1920, 1080)])
def test_every_screen_of_present_fits_a_projector_and_a_clicker_turns_it(visit: Visit, width: int, height: int) -> None:
    page = visit("present?message=1", width=width, height=height)
    last = int(page.get_by_text(re.compile(r"^1 of \d+$")).inner_text().split()[-1])
    assert last > 5
    for place in range(1, last + 1):
        until(page, "said => document.querySelector('.st-key-turn')?.innerText.includes(said)", f"{place} of {last}")
        assert not page.evaluate(SCROLLS), place
        assert page.evaluate(BEYOND) == [], place
        assert not page.evaluate(COVERED), place
        assert not page.locator("[data-testid=stSidebar]").is_visible()
        page.keyboard.press("PageDown")
    page.keyboard.press("PageUp")
    until(page, "said => document.querySelector('.st-key-turn')?.innerText.includes(said)", f"{last - 1} of {last}")


SWIPE = """
across => {
  const at = x => new Touch({identifier: 1, target: document.body, clientX: x, clientY: 300});
  const tell = (kind, x) => document.dispatchEvent(
    new TouchEvent(kind, {bubbles: true, changedTouches: [at(x)], touches: kind === 'touchstart' ? [at(x)] : []}));
  tell('touchstart', 400);
  tell('touchend', 400 + across);
}
"""


def test_a_finger_turns_present_and_a_button_takes_the_whole_screen(visit: Visit) -> None:
    page = visit("present?message=1")
    page.evaluate(SWIPE, -200)
    until(page, "() => document.querySelector('.st-key-turn')?.innerText.includes('2 of')")
    page.evaluate(SWIPE, 20)  # too short to be meant
    rest(page)
    assert "message=2" in page.url
    page.evaluate(SWIPE, 200)
    until(page, "() => document.querySelector('.st-key-turn')?.innerText.includes('1 of')")
    page.get_by_role("button", name="Full screen").click()
    until(page, "() => document.fullscreenElement === document.documentElement")
    page.get_by_role("button", name="Full screen").click()
    until(page, "() => document.fullscreenElement === null")


def test_a_choice_goes_into_the_address_and_comes_back_from_it(visit: Visit, address: str) -> None:
    page = visit("")
    before = page.locator(".menton-said").first.inner_text()
    choose(page, "Sex", "female")
    until(page, "text => document.querySelector('.menton-said')?.innerText !== text", before)
    until(page, "() => location.search.includes('sex=female')")
    narrowed = page.locator(".menton-said").first.inner_text()
    shared = page.url.removeprefix(address + "/")
    visit("methods")
    again = visit(shared)
    assert again.locator(".menton-said").first.inner_text() == narrowed
    assert menu(again, "Sex").get_by_text("female", exact=True).count() == 1


def test_files_are_handed_over_by_their_buttons(visit: Visit, tmp_path: Path, reader: Reader) -> None:
    page = visit("take_along")
    sentence = headline(rates(reader))
    read = {
        "PDF, paged": lambda path: " ".join(one.extract_text() for one in PdfReader(path).pages),
        "Slides with notes (PPTX)": lambda path: "".join(
            slide.notes_slide.notes_text_frame.text for slide in Presentation(str(path)).slides
        ),
        "One web page (HTML)": lambda path: path.read_text(encoding="utf-8"),
        "Tables (XLSX)": lambda path: str(
            [cell.value for row in openpyxl.load_workbook(path)["about"].iter_rows() for cell in row]
        ),
    }
    for button, text in read.items():
        kept = take_along(page, button, tmp_path)
        assert kept.name.startswith("menton-to-leave.")
        assert sentence.replace(" ", "") in "".join(text(kept).split()), button
    with zipfile.ZipFile(take_along(page, "Everything, with figures and CSV (ZIP)", tmp_path)) as archive:
        assert {"report.pdf", "slides.pptx", "tables/age_band.csv", "figures/flow.svg"} <= set(archive.namelist())
