"""Others are served: each person logs in, and sees what the access file allows and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.dashboard.browsing import free_port, person, press, rest, served, until
from tests.dashboard.login_provider import CLIENT, login_provider
from warehouse.marts.reader import Reader
from warehouse.protected.shares import as_shown, published
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.words.shares import answer_sentence, headline

pytestmark = pytest.mark.browser

ADA, BEA, CYN, EVE = (f"{name}@lantern.example" for name in ("ada", "bea", "cyn", "eve"))
PEOPLE = {ADA: True, BEA: True, CYN: False, EVE: True}
"""Person -> whether the login says that the address was verified."""

ACCESS = f"""
[people."{ADA}"]
role = "coordinator"
[people."{BEA}"]
role = "practice"
practice = "QUARRY"
[people."{CYN}"]
role = "owner"
"""


@pytest.fixture(scope="module")
def address(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The dashboard with a login in front."""
    room, port = tmp_path_factory.mktemp("served"), free_port()
    access, login = room / "access.toml", room / "login.toml"
    access.write_text(ACCESS, encoding="utf-8")
    access.chmod(0o600)
    with login_provider(PEOPLE) as provider:
        login.write_text(
            f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\ncookie_secret = "{"x" * 40}"\n'
            f'client_id = "{CLIENT}"\nclient_secret = "of the tests"\n'
            f'server_metadata_url = "{provider}/.well-known/openid-configuration"\n',
            encoding="utf-8",
        )
        login.chmod(0o600)
        with served(folder, "--access", str(access), "--login", str(login), port=port) as at:
            yield at


Enter = Callable[[str], "Page"]


@pytest.fixture(scope="module")
def context(browser: Browser) -> Iterator[BrowserContext]:
    """One browser for all persons, so that the frame of the page is fetched and read once."""
    with person(browser) as opened:
        yield opened


@pytest.fixture
def enter(context: BrowserContext, address: str) -> Iterator[Enter]:
    """Comes in as a person would, without anything that lets in whoever came before."""

    def entering(person: str) -> Page:
        context.clear_cookies()
        page = context.new_page()
        page.goto(address)
        until(page, "() => document.querySelector('h1')?.innerText === 'Please log in'")
        assert "adverse" not in page.content()
        page.get_by_role("button", name="Log in", exact=True).click()
        page.get_by_role("link", name=person).click()
        page.wait_for_url(f"{address}/**")
        until(page, "() => !['Please log in', undefined].includes(document.querySelector('h1')?.innerText)")
        return page

    yield entering
    for page in context.pages:
        page.close()


def links(page: Page) -> list[str]:
    return page.locator("[data-testid=stSidebar] [data-testid=stPageLink]").all_inner_texts()


def test_a_practice_sees_its_own_cases_and_may_leave_again(enter: Enter, reader: Reader) -> None:
    page = enter(BEA)
    own = headline(rates(reader, selection=Selection(filters={"practice": ("QUARRY",)})))
    assert page.locator(".menton-said").first.inner_text() == own
    assert "HARBOUR" not in page.content()
    assert "Case by case" in links(page)
    assert "Bring in a file" not in links(page)
    page.goto(page.url + "?practice=HARBOUR")
    rest(page)
    assert "there is no such practice here" in page.locator("[data-testid=stAlert]").inner_text()
    assert page.locator(".menton-said").count() == 0
    assert "HARBOUR" not in page.locator("[data-testid=stMain]").inner_text()
    press(page, "Log out")
    until(page, "() => document.querySelector('h1')?.innerText === 'Please log in'")


def test_a_coordinator_sees_protected_tables_alone(enter: Enter, reader: Reader, address: str) -> None:
    page = enter(ADA)
    (group,) = as_shown(published(reader)).groups
    assert page.locator(".menton-said").first.inner_text() == answer_sentence(group)
    assert "Case by case" not in links(page)
    page.goto(f"{address}/cases")
    until(page, "() => document.querySelector('h1') !== null")
    assert page.locator("h1").first.inner_text() != "Case by case"


@pytest.mark.parametrize("person", [EVE, CYN], ids=["not in the file", "address not verified"])
def test_others_see_nothing(enter: Enter, person: str) -> None:
    page = enter(person)
    assert page.locator("h1").first.inner_text() == "Nothing to see here"
    assert links(page) == []
    assert "adverse" not in page.content()


def test_a_proxy_names_the_person_in_a_header(
    context: BrowserContext, folder: Path, tmp_path: Path, reader: Reader
) -> None:
    access = tmp_path / "access.toml"
    access.write_text(f'header = "X-Person"\n{ACCESS}', encoding="utf-8")
    access.chmod(0o600)
    own = headline(rates(reader, selection=Selection(filters={"practice": ("QUARRY",)})))
    (group,) = as_shown(published(reader)).groups
    with served(folder, "--access", str(access)) as at:
        for person, expected in ((BEA, own), (ADA, answer_sentence(group)), (EVE, None)):
            context.clear_cookies()
            context.set_extra_http_headers({"X-Person": person})
            page = context.new_page()
            page.goto(at)
            until(page, "() => document.querySelector('h1') !== null")
            if expected is None:
                assert page.locator("h1").first.inner_text() == "Nothing to see here"
                assert "adverse" not in page.content()
            else:
                assert page.locator(".menton-said").first.inner_text() == expected
            page.close()
    context.set_extra_http_headers({})
