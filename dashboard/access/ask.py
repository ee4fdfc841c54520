"""The one way from a page to the warehouse.

Pages ask questions here and get results; what the viewer may not see never reaches a page. Every answer is worked out
once for a build and then kept, until another build is published.
"""

from __future__ import annotations

import os
import threading
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import streamlit as st

from dashboard.access.command import KEY_VARIABLE
from dashboard.access.sign_in import current_viewer
from warehouse.command_options import DEFAULT_WAREHOUSE, ENCRYPTION_VARIABLE, WAREHOUSE_VARIABLE, read_encryption_key
from warehouse.errors import RequestError
from warehouse.store.access import record_begin
from warehouse.store.snapshot import Snapshot, current_snapshot

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from dashboard.access.viewer import Viewer
    from dashboard.report.shown import Audience, Findings
    from warehouse.marts.reader import Reader
    from warehouse.plans.question import Question
    from warehouse.pooled.this_warehouse import Here
    from warehouse.questions.shares import Rates
    from warehouse.selection import Selection

T = TypeVar("T")

KEPT_ANSWERS = 300
_LOOKED_AT = "looked at"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWarehouse:
    """Where the warehouse and its key files lie."""

    folder: Path
    encryption_key_file: Path | None = None
    case_key_file: Path | None = None

    def encryption_key(self) -> str | None:
        """The key of an encrypted warehouse."""
        return None if self.encryption_key_file is None else read_encryption_key(self.encryption_key_file)


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What one viewer may ask of the current build."""

    place: OpenWarehouse
    viewer: Viewer
    snapshot: Snapshot

    def about_cases(self, question: Callable[..., T], selection: Selection, **arguments: object) -> T:
        """Ask about the cases selected; a practice is given its own cases alone.

        Raises:
            RequestError: The viewer may not see cases, or asked for another practice's.
        """
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
        """The headline share in tables in which small counts are hidden: for every viewer."""
        from warehouse.protected.shares import protected_rates

        return self._answer(protected_rates, by=by)

    def document(self, *, audience: Audience, selection: Selection, **choices: object) -> Findings:
        """What a document may say: for every viewer where small counts are hidden, else for who sees cases.

        ``choices`` are as for ``findings``; who sees no case is told of all cases together, and of nothing else.

        Raises:
            RequestError: The viewer may not see that.
        """
        from dashboard.report.findings import findings
        from warehouse.selection import Selection

        if self.viewer.sees_cases:
            return self._answer(findings, audience=audience, selection=self._own(selection), **choices)
        if audience != "outside" or selection != Selection():
            found = "you see what is about all practices together, with small counts hidden"
            raise RequestError(found, remedy="ask the practice itself")
        return self._answer(findings, audience=audience, selection=selection, **choices)

    def known_practices(self) -> tuple[str, ...]:
        """Pseudonyms of the practices here: for who may write."""
        if not self.viewer.may_write:
            raise RequestError("you may look, but not change", remedy="ask whoever runs this warehouse")
        return self._answer(_practices)

    def practices(self) -> Here:
        """The practices beside each other, small counts hidden: for every viewer. Its tags are not for the screen."""
        from warehouse.pooled.this_warehouse import practices_here

        return self._answer(practices_here)

    def _check_sees_cases(self) -> None:
        if not self.viewer.sees_cases:
            found = "this shows counts of cases before small ones are hidden"
            raise RequestError(found, remedy="ask the practice itself")

    def _own(self, selection: Selection) -> Selection:
        own = self.viewer.practice
        if not own:
            return selection
        if set(selection.filters.get("practice", (own,))) - {own}:
            found = "these are the cases of another practice"
            raise RequestError(found, remedy=f"you may see those of {own}")
        return replace(selection, filters={**selection.filters, "practice": (own,)})

    def _answer(self, ask: Callable[..., T], **arguments: object) -> T:
        named = f"{ask.__module__}.{ask.__qualname__}"
        work = _Work(self.place, self.snapshot.build_id, ask, arguments)
        found = _kept(str(self.place.folder), self.snapshot.build_id, named, repr(sorted(arguments.items())), work)
        return cast("T", found)


def _practices(reader: Reader) -> tuple[str, ...]:
    return reader.practices


@dataclass(frozen=True, slots=True)
class _Work:
    place: OpenWarehouse
    build: str
    question: Callable[..., Any]
    arguments: dict[str, object]

    def done(self) -> Any:  # noqa: ANN401 - whatever the question gives
        with _reader(self.place, self.build) as reader:
            return self.question(reader, **self.arguments)


_run = threading.local()


@contextmanager
def one_reader() -> Iterator[None]:
    """All questions of one run of a page read one open snapshot: to open it takes as long as to answer some of them."""
    _run.shares = True
    try:
        yield
    finally:
        _run.shares = False
        _close_shared()


def _close_shared() -> None:
    shared, _run.reader = getattr(_run, "reader", None), None
    if shared is not None:
        shared.close()


@contextmanager
def _reader(place: OpenWarehouse, build: str) -> Iterator[Reader]:
    """The snapshot opened for reading: the one this run has open already, if it is of the place and build asked for."""
    from warehouse.marts.reader import Reader

    if not getattr(_run, "shares", False):
        with Reader.open(place.folder, key=place.encryption_key()) as opened:
            yield opened
        return
    shared: Reader | None = getattr(_run, "reader", None)
    if shared is None or (_run.place, shared.snapshot.build_id) != (place, build):
        _close_shared()
        shared = Reader.open(place.folder, key=place.encryption_key())
        _run.place, _run.reader = place, shared
    yield shared


@st.cache_resource(max_entries=KEPT_ANSWERS, show_spinner="Counting …")
def _kept(folder: str, build: str, question: str, arguments: str, _work: _Work) -> Any:  # noqa: ANN401
    """The answer to a question; results are frozen, so that all sessions may share them."""
    return _work.done()


def place() -> OpenWarehouse:
    """Where the warehouse lies, from the environment."""
    files = {name: os.environ.get(name) for name in (ENCRYPTION_VARIABLE, KEY_VARIABLE)}
    encryption, case_key = (Path(text) if text else None for text in files.values())
    folder = Path(os.environ.get(WAREHOUSE_VARIABLE) or DEFAULT_WAREHOUSE)
    return OpenWarehouse(folder=folder, encryption_key_file=encryption, case_key_file=case_key)


def current_session() -> Session:
    """This visitor on the build that is current now; each build looked at gets one line in the access record."""
    at = place()
    session = Session(place=at, viewer=current_viewer(), snapshot=current_snapshot(at.folder))
    looked_at = f"{at.folder} {session.snapshot.build_id} {session.viewer.role}"
    if st.session_state.get(_LOOKED_AT) != looked_at:
        record_begin(at.folder, f"dashboard seen by {session.viewer.role}")
        st.session_state[_LOOKED_AT] = looked_at
    return session
