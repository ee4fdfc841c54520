"""A study group in a real browser, as its coordinator and its members would run it, each at their own dashboard."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from pipelines.cli import main
from tests.dashboard.browsing import PATIENCE, person, press, rest, served, take_along, turn_to, until
from tests.hand_made import load_rows
from tests.pipelines.group.test_two_users import PRACTICES, rows

pytestmark = pytest.mark.browser

Desk = Callable[[str], "Person"]


class Person:
    """Somebody at the pages of one warehouse."""

    def __init__(self, page: Page, address: str, room: Path) -> None:
        self.page, self.address, self.room = page, address, room

    def at(self, job: str, *, here: str = "") -> None:
        self.look_at(f"/group?job={job}" + (f"&here={here}" if here else ""))
        until(self.page, "() => document.querySelector('h1')?.innerText === 'Study group'")

    def look_at(self, place: str) -> None:
        if self.page.url.startswith(self.address):
            turn_to(self.page, place)
        else:
            self.page.goto(self.address + place)

    def fill(self, label: str, value: str) -> None:
        rest(self.page)
        field = self.page.get_by_label(label, exact=True)
        field.fill(value)
        field.press("Tab")
        rest(self.page)

    def hand_over(self, *files: Path) -> None:
        rest(self.page)
        self.page.locator("input[type=file]").first.set_input_files(files)
        for file in files:
            self.page.get_by_text(file.name).first.wait_for(timeout=PATIENCE)
        rest(self.page)

    def agree(self, words: str) -> None:
        rest(self.page)
        self.page.get_by_text(words, exact=True).click()
        rest(self.page)

    def press(self, name: str, says: str) -> None:
        press(self.page, name)
        until(self.page, "said => document.querySelector('[data-testid=stMain]').innerText.includes(said)", says)

    def take(self, name: str, as_: str = "") -> Path:
        made = take_along(self.page, f"Take along {name}", self.room)
        return made.rename(self.room / as_) if as_ else made


@pytest.fixture
def desk(browser: Browser, tmp_path: Path) -> Iterator[Desk]:
    """Seats somebody before a warehouse: an empty one for the coordinator, one with cases for each member."""
    with ExitStack() as left:

        def seated(name: str) -> Person:
            room = tmp_path / name
            room.mkdir()
            if name in PRACTICES:
                with_cases(room, name)
            address = left.enter_context(served(room / "cases"))
            context = left.enter_context(person(browser, address))
            return Person(context.new_page(), address, room)

        yield seated


def with_cases(room: Path, practice: str) -> Path:
    """The warehouse of a practice."""
    place = PRACTICES.index(practice)
    load_rows(room / "cases", rows(practice, 90 + 10 * place, place), practice=practice)
    return room / "cases"


def test_a_group_from_its_founding_to_a_withdrawal(desk: Desk, tmp_path: Path) -> None:
    """Founding, inviting, agreeing, looking at what would leave, contributing, taking in, pooling, one's own line.

    One practice works at its pages, the others type: all three at pages are in tests/dashboard/test_jobs.py.
    """
    bay = desk("bay")
    bay.at("init", here="coordinator")
    bay.fill("What the group is called", "Lantern Bay")
    bay.press("Found it", "is made: folder study-group")
    bay.at("agreement", here="coordinator")
    bay.fill("Variables to pool shares by, separated by commas", "extraction")
    bay.fill("What is known of a case, separated by commas", "age_band,sex,extraction")
    bay.fill("Years of start told apart, such as 2015-2025", "2016-2023")
    bay.press("Put it in force", "fingerprint")
    bay.at("invite", here="coordinator")
    bay.fill("How many", str(len(PRACTICES)))
    bay.press("Make the invitations", "Take along")
    with zipfile.ZipFile(bay.take("invitations.zip")) as held:
        names = sorted(held.namelist())
        held.extractall(bay.room)
    first, *others = (bay.room / name for name in names)
    one = desk(PRACTICES[0])
    sent = [contribution_of(one, first)]
    for practice, invitation in zip(PRACTICES[1:], others, strict=True):
        room = tmp_path / practice
        data, sent_by_it = with_cases(room, practice), room / f"{practice}.menton"
        typed = ["contribute", "--warehouse", str(data), "--agreement", str(invitation), "--consent"]
        assert main([*typed, "--out", str(sent_by_it)]) == 0
        sent.append(sent_by_it)
    bay.at("take", here="coordinator")
    bay.hand_over(*sent)
    bay.press("Take them in", "takes part from now on")
    assert bay.page.locator("[data-testid=stMain]").inner_text().count("takes part from now on") == len(PRACTICES)
    bay.at("pooled", here="coordinator")
    bay.press("Pool", "Take along result.json")
    result = bay.take("result.json")
    one.at("read", here="member")
    one.hand_over(result)
    one.press("Read it", "Kept for the dashboard")
    one.look_at("/practices")
    until(one.page, "() => document.querySelector('h1')?.innerText === 'How practices compare'")
    labels = one.page.evaluate("[...document.querySelectorAll('[aria-label]')].map(e => e.ariaLabel).join(' ')")
    assert "yours" in one.page.locator("[data-testid=stMain]").inner_text() + labels
    one.at("leave", here="member")
    one.hand_over(first)
    one.press("Say what is taken back", "I want to withdraw")
    one.agree("I want to withdraw")
    one.press("Write the withdrawal to send", "Take along withdrawal.menton")
    bay.at("take", here="coordinator")
    bay.hand_over(one.take("withdrawal.menton"))
    bay.press("Take them in", "has withdrawn")


def contribution_of(member: Person, invitation: Path) -> Path:
    """What a member writes after having looked at all that would leave; before that there is nothing to press."""
    member.at("agree", here="member")
    member.hand_over(invitation)
    member.press("Show what would leave", "The risk that is left")
    assert member.page.get_by_role("button", name="Write the file to send", exact=True).is_disabled()
    member.agree("I have read what would leave, and agree")
    member.press("Write the file to send", "Take along contribution.menton")
    return member.take("contribution.menton")
