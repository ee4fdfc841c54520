"""Working a page in a real browser as a patient person would: wait until it is at rest, act, look whether it took.

A page may be run again at any moment (a menu that was opened closes then), and a busy machine may need seconds for
what takes a moment elsewhere. So nothing here waits for a time; everything waits for what can be seen, within a limit
far beyond what it should take.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from itertools import count
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, Locator, Page

from tests.warm import python

PATIENCE = 180_000
"""Milliseconds within which anything must have happened."""

A_TRY = 10_000
"""Milliseconds after which an action that did not take is tried again."""

ENDS_WITH_US = ("setpriv", "--pdeathsig", "TERM") if shutil.which("setpriv") else ()
"""Before a command: it is ended when the process that started it ends, however that ends (Linux)."""

TRIES = 12
TURNS = count()

FLAGS = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-gpu",
    "--disable-sync",
    "--no-first-run",
)

# At rest: connected, no script running or asked for, nothing left over from the run before, every chart drawn, and
# all of that for some looks in a row (a choice may take a moment to be sent).
AT_REST = """
([looks, turn]) => {
  const app = document.querySelector('[data-testid=stApp]');
  const drawn = [...document.querySelectorAll('[data-testid=stVegaLiteChart]')].every(
    chart => chart.querySelector('canvas, svg.marks'));
  const rests = app !== null
    && app.dataset.testScriptState === 'notRunning'
    && app.dataset.testConnectionState === 'CONNECTED'
    && document.querySelector('h1') !== null
    && document.querySelector('[data-testid=stStatusWidget], [data-testid=stSkeleton], [data-stale=true]') === null
    && drawn;
  if (window.mentonTurn !== turn) { window.mentonTurn = turn; window.mentonRested = 0; }
  window.mentonRested = rests ? (window.mentonRested ?? 0) + 1 : 0;
  return window.mentonRested >= looks;
}
"""


def slow_down(page: Page) -> None:
    """Make the browser as many times slower as ``BROWSER_SLOWDOWN`` says, to see whether a test hangs on speed."""
    times = os.environ.get("BROWSER_SLOWDOWN")
    if times:
        page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": float(times)})


def rest(page: Page) -> None:
    """Wait until the page is at rest; should it go to another address meanwhile, until that is."""
    page.wait_for_function(AT_REST, arg=[4, next(TURNS)], polling=100, timeout=PATIENCE)


def turn_to(page: Page, address: str) -> None:
    """Go to another address of the dashboard that is open as back and forth do: it is not loaded anew, only drawn."""
    page.evaluate("to => { history.pushState({}, '', to); dispatchEvent(new PopStateEvent('popstate')); }", address)
    rest(page)


def until(page: Page, condition: str, argument: object = None) -> None:
    """Wait until a condition in the page's own language holds, then until the page is at rest."""
    page.wait_for_function(condition, arg=argument, timeout=PATIENCE)
    rest(page)


def choose(page: Page, label: str, option: str) -> None:
    """Choose an option of a menu by the menu's label; tried again where the list closed before it could be taken."""
    from playwright.sync_api import TimeoutError as TookTooLong

    box = menu(page, label)
    taken = box.get_by_text(option, exact=True).or_(box.locator(f"input[value={json.dumps(option)}]"))
    for _ in range(TRIES):
        rest(page)
        try:
            if not taken.count():
                field = box.get_by_role("combobox")
                field.click(timeout=A_TRY)
                field.fill(option, timeout=A_TRY)
                page.get_by_role("option", name=option, exact=True).click(timeout=A_TRY)
            taken.first.wait_for(timeout=A_TRY)
        except TookTooLong:
            page.keyboard.press("Escape")
        else:
            rest(page)
            return
    message = f"{option!r} could not be chosen in {label!r}"
    raise AssertionError(message)


def menu(page: Page, label: str) -> Locator:
    """The menu with this label."""
    named = page.locator("label", has_text=re.compile(f"^{re.escape(label)}$"))
    return page.locator("[data-testid=stMultiSelect], [data-testid=stSelectbox]").filter(has=named)


def press(page: Page, name: str) -> None:
    """Press the button of this name, and wait for what comes of it."""
    rest(page)
    page.get_by_role("button", name=name, exact=True).click(timeout=PATIENCE)
    rest(page)


def take_along(page: Page, name: str, to: Path) -> Path:
    """Press a button that hands over a file, and keep the file; tried again where the page ran meanwhile."""
    from playwright.sync_api import TimeoutError as TookTooLong

    for _ in range(TRIES):
        rest(page)
        try:
            with page.expect_download(timeout=6 * A_TRY) as handed:
                page.get_by_role("button", name=name, exact=True).click(timeout=A_TRY)
        except TookTooLong:
            continue
        kept = to / handed.value.suggested_filename
        handed.value.save_as(kept)
        return kept
    message = f"no file came of {name!r}"
    raise AssertionError(message)


class Served(str):
    """The address of a served dashboard; as the machine's own, with what opens it: the cookies, and the address once.

    ``cookies`` are for ``BrowserContext.add_cookies``.
    """

    __slots__ = ("cookies", "entry")

    entry: str
    cookies: list[Any]


@contextmanager
def served(
    folder: Path, *words: str, port: int | None = None, enters: bool = True, begins: bool = False
) -> Iterator[Served]:
    """The dashboard of a warehouse, served as a person would serve it; gives the address.

    Unless told otherwise, the token of a dashboard of this machine alone is given for its cookie. With ``begins`` the
    processes are begun by the interpreter itself, which takes seconds of each, and not copied (``tests/warm.py``).
    """
    port = port or free_port()
    command = [*ENDS_WITH_US, sys.executable if begins else python(), "-m", "pipelines.cli", "dashboard"]
    command += ["--no-browser", "--port", str(port), "--warehouse", str(folder), *words]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("MENTON_")}
    with (
        TemporaryFile("w+", encoding="utf-8") as said,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=said, text=True, env=kept) as server,
    ):
        try:
            line = server.stdout.readline() if server.stdout else ""
            assert line.startswith(f"Menton is at http://127.0.0.1:{port}"), line
            at = Served(f"http://127.0.0.1:{port}")
            at.entry = line.split()[3]
            at.cookies = _cookies(at) if enters and "?token=" in at.entry else []
            yield at
        finally:
            server.send_signal(signal.SIGTERM)
            server.wait(timeout=60)
            said.seek(0)
            print(said.read())  # what went wrong behind a page that failed


def person(browser: Browser, at: Served | None = None, **options: Any) -> BrowserContext:
    """The browser of somebody at a served dashboard, to be closed.

    Asked for by every person here: less motion, which is a fifth of what a page costs the machine.
    """
    context = browser.new_context(locale="en-GB", reduced_motion="reduce", **options)
    context.set_default_timeout(PATIENCE)
    if at is not None:
        context.add_cookies(at.cookies)
    return context


def _cookies(at: Served) -> list[Any]:
    """Give the token for the cookie, as a browser does."""
    asked = urlsplit(at.entry)
    connection = HTTPConnection(asked.netloc, timeout=PATIENCE / 1000)
    connection.request("GET", f"{asked.path}?{asked.query}")
    name, _, value = connection.getresponse().headers["Set-Cookie"].partition(";")[0].partition("=")
    connection.close()
    return [{"name": name, "value": value, "url": str(at)}]


def free_port() -> int:
    """A port nothing listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def faults(page: Page, axe: str, *, not_ours: dict[str, str]) -> list[str]:
    """Serious and critical faults that the accessibility checker finds, by rule and place."""
    rest(page)
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(axe)
    found: dict[str, Any] = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {node['target']} {node.get('failureSummary', '')[:300]}"
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
        if not_ours.get(one["id"], "\0") not in str(node["target"])
    ]
