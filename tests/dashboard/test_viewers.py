"""What a viewer may not see never reaches a page."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from pypdf import PdfReader

from dashboard.access.ask import OpenWarehouse, Session
from dashboard.access.viewer import Viewer, access_list, viewer_named
from tests.dashboard.conftest import Open, everything_said, saved_files, words_of
from tests.warehouse.disclosure.attacker import left_open
from warehouse.disclosure import Release
from warehouse.errors import RequestError
from warehouse.leaving.record import documents
from warehouse.marts.reader import Reader
from warehouse.questions.answer import COMPARISONS, at_a_glance
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.store.snapshot import current_snapshot


def session_of(folder: Path, viewer: Viewer) -> Session:
    return Session(place=OpenWarehouse(folder=folder), viewer=viewer, snapshot=current_snapshot(folder))


def test_a_practice_is_given_its_own_cases_alone(folder: Path, reader: Reader) -> None:
    session = session_of(folder, viewer_named("practice:QUARRY"))
    own = rates(reader, selection=Selection(filters={"practice": ("QUARRY",)})).groups[0]
    given = session.about_cases(rates, Selection()).groups[0]
    assert (given.started.n, given.adverse.n) == (own.started.n, own.adverse.n)


def test_a_practice_cannot_ask_for_another(folder: Path) -> None:
    session = session_of(folder, viewer_named("practice:QUARRY"))
    with pytest.raises(RequestError, match="another practice"):
        session.about_cases(rates, Selection(filters={"practice": ("QUARRY", "HARBOUR")}))


def test_a_coordinator_is_given_no_count_before_it_is_protected(folder: Path) -> None:
    session = session_of(folder, viewer_named("coordinator"))
    with pytest.raises(RequestError, match="before small ones are hidden"):
        session.about_cases(at_a_glance, Selection())


def test_a_practice_sees_nothing_of_another_on_any_page(opened: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:QUARRY")
    for page in (
        "answer",
        "comparisons",
        "cases",
        "practices",
        "drift",
        "readings",
        "data",
        "methods",
        "present",
        "take_along",
    ):
        app = opened(page, practice="HARBOUR")
        assert not app.exception, page
        assert "HARBOUR" not in everything_said(app).replace("such as HARBOUR", ""), page


def test_a_small_count_is_nowhere_in_what_a_coordinator_is_sent(
    opened: Open, monkeypatch: pytest.MonkeyPatch, reader: Reader
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    small = [group for group in rates(reader, by="age_band").groups if 1 <= group.adverse.n <= 4]
    assert small, "the fixture must hold a small count for this test to mean anything"
    app = opened("comparisons", by="age_band")
    said = everything_said(app)
    assert "fewer than 5" in said
    for group in small:
        assert f"{group.adverse.n:,} of {group.counted.n:,}" not in said
        assert str(group.rate.value) not in said


def test_documents_hold_what_their_reader_may_see(folder: Path, reader: Reader) -> None:
    coordinator, quarry = (
        session_of(folder, viewer_named("coordinator")),
        session_of(folder, viewer_named("practice:QUARRY")),
    )
    whole = coordinator.document(audience="outside", selection=Selection(), comparisons=("age_band",))
    assert not whole.policy.hides_nothing
    assert whole.n_practices == 2
    one = Selection(filters={"practice": ("QUARRY",)})
    for asked in ({"audience": "practice", "selection": Selection()}, {"audience": "outside", "selection": one}):
        with pytest.raises(RequestError, match="all practices together"):
            coordinator.document(**asked)
    own = quarry.document(audience="practice", selection=Selection(), comparisons=())
    expected = rates(reader, selection=Selection(filters={"practice": ("QUARRY",)})).groups[0]
    assert (own.practices, own.overall.counted.value) == (("QUARRY",), expected.counted.n)
    with pytest.raises(RequestError, match="another practice"):
        quarry.document(audience="outside", selection=Selection(filters={"practice": ("HARBOUR",)}))


def test_who_sees_no_case_is_offered_nothing_but_what_may_leave(opened: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(opened("take_along").radio(key="made").options) == 2
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    app = opened("take_along")
    assert app.radio(key="made").options == ["to leave the practice: small counts are hidden"]
    assert not any(one.label == "Cases of" for one in app.selectbox)


@pytest.mark.parametrize("page", ["cases", "readings", "data", "bring_in"])
def test_pages_of_single_cases_are_not_offered_to_a_coordinator(
    opened: Open, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    app = opened(fresh=True)
    with pytest.raises(ValueError, match=re.escape(page)):
        app.switch_page(f"../pages/{page}.py").run()


def test_a_coordinator_may_present(opened: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    app = opened("present", message="2")
    assert not app.exception
    assert "small counts hidden" in everything_said(app)


def test_one_who_may_only_look_is_not_offered_to_bring_in_files(opened: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MENTON_READ_ONLY", "1")
    app = opened(fresh=True)
    with pytest.raises(ValueError, match="bring_in"):
        app.switch_page("../pages/bring_in.py").run()


def access(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "access.toml"
    path.write_text(text, encoding="utf-8")
    return path


PEOPLE = """
header = "X-Person"
[people."Ada@Lantern.example"]
role = "coordinator"
[people."bea@lantern.example"]
role = "practice"
practice = "HARBOUR"
[people."cyn@lantern.example"]
role = "owner"
may_write = true
"""


def test_the_access_file_says_who_may_see_what(tmp_path: Path) -> None:
    listed = access_list(access(tmp_path, PEOPLE))
    assert listed.header == "X-Person"
    assert listed.people["ada@lantern.example"] == Viewer(role="coordinator")
    assert listed.people["bea@lantern.example"] == Viewer(role="practice", practice="HARBOUR")
    assert listed.people["cyn@lantern.example"] == Viewer(role="owner", may_write=True)


@pytest.mark.parametrize(
    "text",
    [
        'headers = "X"',
        "people = 3",
        '[people.a]\nrole = "practice"',
        '[people.a]\nrole = "coordinator"\npractice = "HARBOUR"',
        '[people.a]\nrole = "practice"\npractice = "HARBOUR"\nmay_write = true',
        '[people.a]\nrole = "queen"',
        '[people.a]\nrole = "owner"\nmay_write = "yes"',
        "not toml at all",
    ],
)
def test_an_access_file_that_says_something_else_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(RequestError):
        access_list(access(tmp_path, text))


def test_an_unknown_person_is_shown_nothing(opened: Open, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("MENTON_ACCESS_FILE", str(access(tmp_path, PEOPLE)))
    app = opened()
    assert [one.value for one in app.title] == ["Please log in"]
    assert "went adverse" not in everything_said(app)


@pytest.mark.parametrize("text", ["", "practice:", "practice", "admin", "coordinator:HARBOUR"])
def test_a_viewer_that_does_not_exist_is_refused(text: str) -> None:
    with pytest.raises(RequestError, match="there is no viewer"):
        viewer_named(text)


def test_only_an_owner_may_ever_write() -> None:
    assert viewer_named("owner", may_write=True).may_write
    assert not viewer_named("practice:HARBOUR", may_write=True).may_write
    assert not viewer_named("coordinator", may_write=True).may_write


def read_aloud(kept: dict[str, bytes]) -> str:
    """The words of files: CSV, HTML, Markdown and SVG as they are, a PDF by its text."""
    texts = []
    for name, content in kept.items():
        if name.endswith(".pdf"):
            texts += [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]
        elif name.endswith(".svg"):
            texts.append(words_of(content))
        elif name.endswith((".csv", ".html", ".md")):
            texts.append(content.decode())
    return "\n".join(texts)


@pytest.mark.parametrize("page", ["answer", "comparisons", "practices", "take_along"])
def test_every_page_and_saved_file_holds_the_policy_of_a_coordinator(
    opened: Open, monkeypatch: pytest.MonkeyPatch, reader: Reader, page: str
) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    small = [one for by in COMPARISONS for one in rates(reader, by=by).groups if 1 <= one.adverse.n <= 4]
    assert small, "the fixture must hold a small count for this test to mean anything"
    kept = saved_files(opened, monkeypatch, page, **({"by": "age_band"} if page == "comparisons" else {}))
    assert kept or page == "practices"  # of two practices nothing is shown
    said = read_aloud(kept) + everything_said(opened(page))
    for group in small:
        assert f"{group.adverse.n:,} of {group.counted.n:,}" not in said
        assert str(group.rate.value) not in said
    keys = [key for (key,) in reader.connection.rows("select case_key from mart_cases")]
    assert not any(key[:10] in said for key in keys)
    assert "do not hand this on" not in said


@pytest.mark.parametrize("page", ["answer", "two", "comparisons", "cases", "drift", "take_along"])
def test_no_file_of_a_practice_names_another(opened: Open, monkeypatch: pytest.MonkeyPatch, page: str) -> None:
    monkeypatch.setenv("MENTON_VIEWER", "practice:QUARRY")
    address = {"take_along": {"made": "practice"}, "two": {"beside": "def=D2"}}
    kept = saved_files(opened, monkeypatch, page, **address.get(page, {}))
    assert kept
    assert "HARBOUR" not in read_aloud(kept)


def test_all_that_a_coordinator_sees_together_stands_the_attack(
    opened: Open, monkeypatch: pytest.MonkeyPatch, folder: Path
) -> None:
    """The attacker of the policy reads every table that others saw, as it was written down when it was shown.

    That these are the tables on the screen is looked at as well.
    """
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    session = session_of(folder, viewer_named("coordinator"))
    for by in COMPARISONS:
        said = everything_said(opened("comparisons", by=by))
        for row in session.protected(by).groups:
            assert f"{row.adverse.shown} of {row.counted.shown}" in said, (by, row.label)
    releases: list[Release] = []
    for one in documents(folder):
        releases += [
            release for release in one.left.releases if one.entry["read_by"] == "viewers" and release not in releases
        ]
    hidden = left_open(releases)
    assert hidden, "a small count must be hidden for this test to mean anything"
    assert [one for one in hidden if one.recovered] == []
