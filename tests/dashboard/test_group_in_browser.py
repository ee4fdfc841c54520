"""A study group in a real browser, as its coordinator and its members would run it, each at their own dashboard."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.dashboard.browsing import PATIENCE, press, rest, served, take_along, until
from tests.hand_made import load_rows
from tests.pipelines.group.test_two_users import PRACTICES, rows

pytestmark = pytest.mark.browser

Desk = Callable[[str], "Person"]


class Person:
    """Somebody at the pages of one warehouse."""

    def __init__(self, page: Page, address: str, room: Path) -> None:
        self.page, self.address, self.room = page, address, room

    def at(self, job: str, *, here: str = "") -> None:
        self.page.goto(f"{self.address}/group?job={job}" + (f"&here={here}" if here else ""))
        until(self.page, "() => document.querySelector('h1')?.innerText === 'Study group'")

    def fill(self, label: str, value: str) -> None:
        rest(self.page)
        field = self.page.get_by_label(label, exact=True)
        field.fill(value)
        field.press("Tab")
        rest(self.page)

    def hand_over(self, file: Path) -> None:
        rest(self.page)
        self.page.locator("input[type=file]").first.set_input_files(file)
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
                place = PRACTICES.index(name)
                load_rows(room / "cases", rows(name, 90 + 10 * place, place), practice=name)
            address = left.enter_context(served(room / "cases"))
            context = browser.new_context(locale="en-GB")
            left.callback(context.close)
            context.set_default_timeout(PATIENCE)
            context.add_cookies(address.cookies)
            return Person(context.new_page(), address, room)

        yield seated


def test_a_group_from_its_founding_to_a_withdrawal(desk: Desk) -> None:
    """Founding, inviting, agreeing, looking at what would leave, contributing, taking in, pooling, one's own line."""
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
    invitations = [bay.room / name for name in names]
    members = [desk(name) for name in PRACTICES[:2]]
    sent = []
    for member, invitation in zip(members, invitations, strict=False):
        sent.append(contribution_of(member, invitation))
    for name, invitation in list(zip(PRACTICES, invitations, strict=True))[2:]:  # the others' desks, one at a time
        sent.append(contribution_of(desk(name), invitation))
    for number, file in enumerate(sent):
        bay.at("take", here="coordinator")
        bay.hand_over(shutil.copy(file, bay.room / f"came-{number}.menton"))
        bay.press("Take them in", "takes part from now on")
    bay.at("pooled", here="coordinator")
    bay.press("Pool", "Take along result.json")
    result = bay.take("result.json")
    one = members[0]
    one.at("read", here="member")
    one.hand_over(result)
    one.press("Read it", "Kept for the dashboard")
    one.page.goto(f"{one.address}/practices")
    until(one.page, "() => document.querySelector('h1')?.innerText === 'How practices compare'")
    labels = one.page.evaluate("[...document.querySelectorAll('[aria-label]')].map(e => e.ariaLabel).join(' ')")
    assert "yours" in one.page.locator("[data-testid=stMain]").inner_text() + labels
    one.at("leave", here="member")
    one.hand_over(invitations[0])
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
