"""The one way from a page to the warehouse.

Pages ask questions here and get results; what the viewer may not see never reaches a page. Every answer is worked out
once for a build and then kept, until another build is published.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, cast

import streamlit as st

from dashboard.access.command import KEY_VARIABLE
from dashboard.access.sign_in import current_person, current_viewer
from dashboard.access.working import PAGES_AT_ONCE, Answers, Making, OpenWarehouse, Turns, Work, practices_of
from warehouse.command_options import DEFAULT_WAREHOUSE, ENCRYPTION_VARIABLE, WAREHOUSE_VARIABLE
from warehouse.errors import RequestError
from warehouse.store.access import pseudonym_of, record_begin
from warehouse.store.chain import keep_key
from warehouse.store.snapshot import Snapshot, current_snapshot

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future

    from dashboard.access.viewer import Viewer
    from dashboard.report.shown import Audience, Findings
    from warehouse.plans.question import Question
    from warehouse.pooled.this_warehouse import Here
    from warehouse.questions.shares import Rates
    from warehouse.selection import Selection

T = TypeVar("T")

ANSWERS = Answers()
TURNS = Turns(PAGES_AT_ONCE)
_LOOKED_AT = "looked at"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What one viewer may ask of the current build."""

    place: OpenWarehouse
    viewer: Viewer
    snapshot: Snapshot
    person: str = ""  # The pseudonym that turns are given by

    def about_cases(self, question: Callable[..., T], selection: Selection, **arguments: object) -> T:
        """Ask about the cases selected, of a practice its own alone; RequestError where the viewer may not see them."""
        self._check_sees_cases()
        return self._answer(question, selection=self._own(selection), **arguments)

    def about(self, ask: Callable[..., T], question: Question, **arguments: object) -> T:
        """The same, where what is asked is one :class:`~warehouse.plans.question.Question`."""
        self._check_sees_cases()
        return self._answer(ask, question=replace(question, selection=self._own(question.selection)), **arguments)

    def about_methods(self, question: Callable[..., T], **arguments: object) -> T:
        """Ask what is in force: definitions, measures, growth reference. It must concern no case."""
        return self._answer(question, **arguments)

    def protected(self, by: str | None = None) -> Rates:
        """The headline share in tables in which small counts are hidden: for who sees no case."""
        from warehouse.leaving.record import seen_by_others

        return self._answer(seen_by_others, by=by)

    def document(self, *, audience: Audience, selection: Selection, **choices: object) -> Findings:
        """What a document may say, small counts hidden, or whole for who sees cases; RequestError for anybody else.

        ``choices`` are as for ``findings``; who sees no case is told of all cases together, and of nothing else.
        """
        from dashboard.report.findings import findings
        from warehouse.leaving.record import lines_left
        from warehouse.selection import Selection

        if audience == "outside":
            choices["left"] = lines_left(self.place.folder)
        if self.viewer.sees_cases:
            return self._answer(findings, audience=audience, selection=self._own(selection), **choices)
        if audience != "outside" or selection != Selection():
            found = "you see what is about all practices together, with small counts hidden"
            raise RequestError(found, remedy="ask the practice itself")
        return self._answer(findings, audience=audience, selection=selection, **choices)

    def known_practices(self) -> tuple[str, ...]:
        """Pseudonyms of the practices here: for who may write."""
        self.viewer.must_write()
        return self._answer(practices_of)

    def practices(self) -> Here:
        """The practices beside each other, small counts hidden: for every viewer. Its tags are not for the screen."""
        from warehouse.leaving.record import practices_seen
        from warehouse.pooled.this_warehouse import practices_here

        return self._answer(practices_here if self.viewer.role == "owner" else practices_seen)

    def made(self, function: Callable[..., T], *given: object) -> T:
        """A file made of answers, beside the serving process."""
        return cast("T", ANSWERS.made(self.person, Making(function, given)))

    def _check_sees_cases(self) -> None:
        if not self.viewer.sees_cases:
            found = "this shows counts of cases before small ones are hidden"
            raise RequestError(found, remedy="ask the practice itself")

    def _own(self, selection: Selection) -> Selection:
        own = self.viewer.practice
        if not own:
            return selection
        if set(selection.filters.get("practice", (own,))) - {own}:
            raise RequestError("these are the cases of another practice", remedy=f"you may see those of {own}")
        return replace(selection, filters={**selection.filters, "practice": (own,)})

    def _answer(self, ask: Callable[..., T], **arguments: object) -> T:
        work = Work(self.place, self.snapshot, ask, arguments)
        return cast("T", ANSWERS.answer(self.person, work, waiting=_waiting))


def _waiting(answer: Future[T]) -> T:
    with st.spinner("Counting …"), TURNS.let_go():
        return answer.result()


def place() -> OpenWarehouse:
    """Where the warehouse lies, from the environment."""
    files = {name: os.environ.get(name) for name in (ENCRYPTION_VARIABLE, KEY_VARIABLE)}
    encryption, case_key = (Path(text) if text else None for text in files.values())
    folder = Path(os.environ.get(WAREHOUSE_VARIABLE) or DEFAULT_WAREHOUSE)
    return OpenWarehouse(folder=folder, encryption_key_file=encryption, case_key_file=case_key)


def current_session() -> Session:
    """This visitor on the build that is current now; each build looked at gets one line in the access record."""
    at, viewer, person = place(), current_viewer(), current_person()
    snapshot = current_snapshot(at.folder)
    looked_at = f"{at.folder} {snapshot.build_id} {viewer.role}"
    if st.session_state.get(_LOOKED_AT) != looked_at:
        keep_key(at.folder, at.encryption_key())
        record_begin(at.folder, f"dashboard seen by {viewer.role}", person=person)
        st.session_state[_LOOKED_AT] = looked_at
    return Session(place=at, viewer=viewer, snapshot=snapshot, person=pseudonym_of(at.folder, person))
