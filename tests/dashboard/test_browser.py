"""Every page in a real browser: it opens, it asks nobody but this machine, and a screen reader can use it."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

    from warehouse.reader import Reader

pytestmark = pytest.mark.browser

HERE = Path(__file__).parent
AXE = HERE / "node_modules" / "axe-core" / "axe.min.js"
# sha512 of axe.min.js of the version that package.json names, taken when it was chosen
AXE_SHA512 = (
    "e63e659f9806d7ae5bd40899043b0871a5062c5442b01b3f1a3edf5eaf50bf5c"
    "3a7104a72463293b4ad1b77c661a0d4e40e850dec89de9d6ece70a8c13a9af17"
)
FLAGS = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-gpu",
    "--disable-sync",
    "--no-first-run",
)
ADDRESSES = {
    "": "What happened",
    "comparisons": "Do groups differ?",
    "comparisons?and=Sex": "Do groups differ?",
    "cases": "Case by case",
    "readings": "How exact are the readings?",
    "data": "How complete are the data?",
    "methods": "How it is counted",
    "bring_in": "Bring in a file",
    "present?message=3": "How far faces moved",
}
PATIENCE = 60_000
BUSY = "[data-testid=stStatusWidget], [data-testid=stSkeleton]"

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
def address(folder: Path) -> Iterator[str]:
    """The dashboard, served as a person would serve it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [
        sys.executable,
        "-m",
        "pipelines.cli",
        "dashboard",
        "--no-browser",
        "--port",
        str(port),
        "--warehouse",
        str(folder),
    ]
    variables = {name: value for name, value in os.environ.items() if not name.startswith("MENTON_")}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=variables) as served:
        try:
            line = served.stdout.readline() if served.stdout else ""
            assert line.startswith(f"Menton is at http://127.0.0.1:{port}"), line
            yield f"http://127.0.0.1:{port}"
        finally:
            served.send_signal(signal.SIGTERM)
            served.wait(timeout=30)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's own Chromium."""
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        pytest.fail("Chromium is missing (Debian: apt install chromium)")
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=found, args=list(FLAGS))
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def rooms(browser: Browser) -> Iterator[dict[str, BrowserContext]]:
    """One browsing context a colour scheme, so that the frame of the page is fetched once."""
    opened = {scheme: browser.new_context(color_scheme=scheme, locale="en-GB") for scheme in ("light", "dark")}  # type: ignore[arg-type]
    yield opened
    for context in opened.values():
        context.close()


Visit = Callable[..., "Page"]


@pytest.fixture
def visit(rooms: dict[str, BrowserContext], address: str) -> Iterator[Visit]:
    """Opens a page and waits until it has drawn; at the end no request may have left this machine."""
    asked: list[str] = []
    pages: list[Page] = []

    def visiting(place: str = "", *, width: int = 1280, height: int = 900, scheme: str = "light") -> Page:
        page = rooms[scheme].new_page()
        pages.append(page)
        page.set_viewport_size({"width": width, "height": height})
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{address}/{place}")
        page.wait_for_selector("h1", timeout=PATIENCE)
        page.wait_for_selector(".menton-behind, .st-key-present", timeout=PATIENCE, state="attached")
        page.wait_for_function(f"!document.querySelector('{BUSY}')", timeout=PATIENCE)
        return page

    yield visiting
    for page in pages:
        page.close()
    strange = [url for url in asked if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:"))]
    assert asked, "the browser must have asked for something"
    assert strange == []


def faults(page: Page, axe: str) -> list[str]:
    """Serious and critical faults that the checker finds, by rule and place."""
    page.evaluate(axe)
    found: dict[str, Any] = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {node['target']} {node.get('failureSummary', '')[:300]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
        if NOT_OURS.get(one["id"], "\0") not in str(node["target"])
    ]


@pytest.mark.parametrize(("place", "title"), ADDRESSES.items())
def test_a_page_opens_and_can_be_used_without_seeing_it(visit: Visit, axe: str, place: str, title: str) -> None:
    page = visit(place)
    assert page.locator("h1").first.inner_text() == title
    assert page.locator("[data-testid=stException], [data-testid=stAlert]").count() == 0
    assert faults(page, axe) == []


@pytest.mark.parametrize("place", ["", "comparisons?and=Sex"])
def test_a_page_can_be_read_in_the_dark(visit: Visit, axe: str, place: str) -> None:
    page = visit(place, scheme="dark")
    ground = page.evaluate("getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor")
    assert ground == "rgb(17, 23, 30)"
    assert faults(page, axe) == []


@pytest.mark.parametrize("place", ["", "cases"])
def test_a_page_fits_a_telephone(visit: Visit, place: str) -> None:
    page = visit(place, width=390, height=844)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    widths = page.evaluate(
        "[...document.querySelectorAll('.vega-embed svg, .vega-embed canvas')].map(e => e.clientWidth)"
    )
    assert all(width <= 390 for width in widths)


def test_charts_have_words_and_the_page_carries_no_more_than_it_shows(visit: Visit, reader: Reader) -> None:
    page = visit("")
    page.wait_for_selector(".vega-embed canvas, .vega-embed svg", timeout=PATIENCE)
    labels = page.evaluate("[...document.querySelectorAll('[aria-label]')].map(e => e.ariaLabel)")
    assert any("Sampling frame. started:" in label for label in labels)
    keys = [key for (key,) in reader.connection.rows("select case_key from mart_cases")]
    source = page.content()
    assert not any(key[:10] in source for key in keys)


def test_arrow_keys_turn_over_the_messages(visit: Visit) -> None:
    page = visit("present")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.querySelector('h1')?.innerText === 'Who was counted'", timeout=PATIENCE)
    assert "message=2" in page.url


def test_a_choice_goes_into_the_address_and_comes_back_from_it(visit: Visit, address: str) -> None:
    page = visit("")
    before = page.locator(".menton-said").first.inner_text()
    page.get_by_role("combobox", name="Sex").click()
    page.get_by_role("option", name="female").first.click()
    page.wait_for_function(
        "text => document.querySelector('.menton-said')?.innerText !== text", arg=before, timeout=PATIENCE
    )
    assert "sex=female" in page.url
    narrowed = page.locator(".menton-said").first.inner_text()
    again = visit(page.url.removeprefix(address + "/"))
    assert again.locator(".menton-said").first.inner_text() == narrowed
