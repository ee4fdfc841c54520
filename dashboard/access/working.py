"""Work beside the serving process: processes that read, a queue with fair turns, and answers that all share.

The serving process only draws pages, few at a time, so that it answers whoever asks next. Run as a module this file is
one such process: work comes in on standard input, what came of it goes out, and it ends with the process that asked.
"""

from __future__ import annotations

import os
import pickle
import struct
import subprocess
import sys
import threading
from collections import OrderedDict, deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from copyreg import pickle as pickle_as
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import IO, TYPE_CHECKING, Any

from warehouse.command_options import read_encryption_key
from warehouse.errors import WarehouseError

if TYPE_CHECKING:
    from warehouse.marts.reader import Reader
    from warehouse.store.snapshot import Snapshot

PAGES_AT_ONCE = 1
"""Pages drawn at once: more would only take the interpreter from each other and from whoever asks for a page."""

KEPT_ANSWERS = 300
THREADS = max(1, (os.cpu_count() or 1) // 4)  # of one answer: shared among two it costs half as much again
NICENESS = 5
"""How far reading stands back behind serving."""

READS = ("polars", "scipy.special", "warehouse.questions.answer", "warehouse.cases.filter_values")
"""What the questions of the first page import; those of others import what they need when they are asked."""

_LENGTH = struct.Struct("<Q")


def _fixed(content: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(content)


pickle_as(MappingProxyType, lambda mapping: (_fixed, (dict(mapping),)))


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWarehouse:
    """Where the warehouse and its key files lie."""

    folder: Path
    encryption_key_file: Path | None = None
    case_key_file: Path | None = None

    def encryption_key(self) -> str | None:
        """The key of an encrypted warehouse."""
        return None if self.encryption_key_file is None else read_encryption_key(self.encryption_key_file)


@dataclass(frozen=True, slots=True)
class Work:
    """A question to be asked of a build."""

    place: OpenWarehouse
    snapshot: Snapshot
    question: Callable[..., Any]
    arguments: dict[str, object]

    @property
    def key(self) -> tuple[str, str, str, str]:
        """The same for whoever may be given the same answer: the cases a viewer may see are among the arguments."""
        named = f"{self.question.__module__}.{self.question.__qualname__}"
        return str(self.place.folder), self.snapshot.build_id, named, repr(sorted(self.arguments.items()))

    def done(self) -> Any:  # noqa: ANN401 - whatever the question gives
        """The answer, worked out here."""
        with _reader(self.place, self.snapshot) as reader:
            reader.connection.execute(f"set threads = {THREADS}")
            return self.question(reader, **self.arguments)


def practices_of(reader: Reader) -> tuple[str, ...]:
    """The practices that have cases, as a question."""
    return reader.practices


@dataclass(frozen=True, slots=True)
class Making:
    """A file to be made of what was answered."""

    function: Callable[..., Any]
    given: tuple[object, ...]

    def done(self) -> Any:  # noqa: ANN401 - whatever is made
        """What is made, here."""
        return self.function(*self.given)


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
def _reader(place: OpenWarehouse, snapshot: Snapshot) -> Iterator[Reader]:
    """The snapshot opened for reading: the one this run has open already, if it is of the place and build asked for."""
    if not getattr(_run, "shares", False):
        with _opened(place, snapshot) as opened:
            yield opened
        return
    shared: Reader | None = getattr(_run, "reader", None)
    if shared is None or (_run.place, _run.build) != (place, snapshot.build_id):
        _close_shared()
        shared = _opened(place, snapshot)
        _run.place, _run.build, _run.reader = place, snapshot.build_id, shared
    yield shared


def _opened(place: OpenWarehouse, snapshot: Snapshot) -> Reader:
    """The build asked for, even where another was published meanwhile; that one, where the first is gone already."""
    from warehouse.marts.reader import Reader
    from warehouse.store.storage import Connection

    key = place.encryption_key()
    if snapshot.path.exists():
        with suppress(WarehouseError):
            return Reader(snapshot, Connection(snapshot.path, read_only=True, key=key))
    return Reader.open(place.folder, key=key)


class Readers:
    """A few processes that read, all but one started when somebody waits. Everybody gets a turn before a second one."""

    def __init__(self, number: int) -> None:
        self._waiting: OrderedDict[str, deque[tuple[Future[Any], Work | Making]]] = OrderedDict()
        self._changed = threading.Condition()
        self._idle = 1  # the first is started at once
        for place in range(number):
            threading.Thread(target=self._serve, args=[_started() if place == 0 else None], daemon=True).start()

    def ask(self, person: str, work: Work | Making) -> Future[Any]:
        """Queue work for a person."""
        future: Future[Any] = Future()
        with self._changed:
            self._waiting.setdefault(person, deque()).append((future, work))
            self._changed.notify_all()
        return future

    def _next(self, *, is_up: bool) -> tuple[Future[Any], Work | Making]:
        with self._changed:
            self._changed.wait_for(lambda: bool(self._waiting) and (is_up or not self._idle))
            self._idle -= is_up
            self._changed.notify_all()  # more may wait, and one that is not up yet be needed
            person, listed = self._waiting.popitem(last=False)
            taken = listed.popleft()
            if listed:
                self._waiting[person] = listed  # behind everybody else who waits
            return taken

    def _serve(self, process: subprocess.Popen[bytes] | None) -> None:
        while True:
            future, work = self._next(is_up=process is not None)
            process = process or _started()
            try:
                is_well, found = _asked(process, work)
            except (OSError, EOFError, struct.error):
                process = _started_anew(process)
                is_well, found = False, _stopped()
            except BaseException as error:  # such as what cannot be pickled: said to who asked
                is_well, found = False, error
            with self._changed:
                self._idle += 1  # before who waited can ask for more
            if is_well:
                future.set_result(found)
            else:
                future.set_exception(found)


def _stopped() -> WarehouseError:
    found = "the process that worked this out was stopped, as when memory runs out"
    return WarehouseError(found, remedy="open the page again; if it happens again, ask of fewer cases")


def _started_anew(process: subprocess.Popen[bytes]) -> subprocess.Popen[bytes]:
    with suppress(OSError), process:  # what was still to be sent to a process that is gone
        process.kill()
    return _started()


def _started() -> subprocess.Popen[bytes]:
    words = [sys.executable, "-P", "-m", "dashboard.access.working"]
    return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def _asked(process: subprocess.Popen[bytes], work: Work | Making) -> tuple[bool, Any]:
    if process.stdin is None or process.stdout is None:
        raise EOFError
    _put(process.stdin, work)
    found: tuple[bool, Any] = _got(process.stdout)
    return found


def _put(stream: IO[bytes], thing: object) -> None:
    data = pickle.dumps(thing)
    stream.write(_LENGTH.pack(len(data)) + data)
    stream.flush()


def _got(stream: IO[bytes]) -> Any:  # noqa: ANN401 - what was put
    (length,) = _LENGTH.unpack(stream.read(_LENGTH.size))
    return pickle.loads(stream.read(length))  # noqa: S301 - from a process of our own, over a pipe


class Answers:
    """Answers worked out once and kept, the ones asked for last; who asks for one at work waits for it too."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, ...], Future[Any]] = OrderedDict()
        self._lock = threading.Lock()
        self.readers: Readers | None = None  # None: work is done where it is asked for

    def start(self, number: int) -> None:
        """Have work done by up to so many processes from now on."""
        self.readers = Readers(number)

    def answer(self, person: str, work: Work, *, waiting: Callable[[Future[Any]], Any]) -> Any:  # noqa: ANN401
        """The answer; ``waiting`` waits for one that is not there yet."""
        with self._lock:
            future, is_new = self._kept.get(work.key), False
            if future is None or (future.done() and future.exception()):
                future, is_new = (self.readers.ask(person, work) if self.readers else Future()), True
                self._kept[work.key] = future
                while len(self._kept) > KEPT_ANSWERS:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(work.key)
        if is_new and not self.readers:
            try:
                future.set_result(work.done())
            except BaseException as error:
                future.set_exception(error)
                raise
        return future.result() if future.done() else waiting(future)

    def made(self, person: str, making: Making) -> Any:  # noqa: ANN401
        """What is made for one person alone, and not kept."""
        return self.readers.ask(person, making).result() if self.readers else making.done()


class Turns:
    """How many pages are drawn at once; a page that waits for an answer lets another one draw."""

    def __init__(self, number: int) -> None:
        self._free = threading.Semaphore(number)
        self._mine = threading.local()

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Draw when it is this page's turn."""
        with self._free:
            self._mine.is_held = True
            try:
                yield
            finally:
                self._mine.is_held = False

    @contextmanager
    def let_go(self) -> Iterator[None]:
        """Wait without holding up others."""
        is_held = getattr(self._mine, "is_held", False)  # a file is made outside any page
        if is_held:
            self._free.release()
        try:
            yield
        finally:
            if is_held:
                self._free.acquire()


def serve() -> None:
    """Do work as it comes, until there is nobody to ask for any."""
    incoming, outgoing = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what is printed on the way is no answer
    for name in READS:
        import_module(name)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    with one_reader():
        while True:
            try:
                work = _got(incoming)
            except (EOFError, struct.error):
                return
            try:
                found: tuple[bool, Any] = True, work.done()
            except Exception as error:  # told where it was asked for
                found = False, error
            try:
                _put(outgoing, found)
            except BrokenPipeError:
                return


if __name__ == "__main__":
    from dashboard.access.working import serve as serve_as_named  # classes of work are those of the named module

    serve_as_named()
