"""Work beside the serving process: the same answers, shared, in fair turns, and nothing left when it ends."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import psutil
import pytest

from dashboard.access import ask, working
from dashboard.access.working import Answers, Making, OpenWarehouse, Readers, Turns, Work
from dashboard.charts.figure import ChartFigure
from dashboard.parts import screen
from tests.dashboard.conftest import Open, everything_said
from warehouse.errors import RequestError, WarehouseError
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.store.snapshot import current_snapshot

PAGES = ("answer", "comparisons", "cases", "practices", "drift", "present", "readings", "data", "methods", "take_along")


def told(answer: Any) -> str:
    """An answer as text; sums of doubles may differ in their last digits with the order of rows."""
    return re.sub(r"\d+\.\d{9,}(e-?\d+)?", lambda found: f"{float(found[0]):.9g}", repr(answer))


def waited(future: Future[Any]) -> Any:
    return future.result(timeout=120)


@pytest.fixture(scope="module")
def readers() -> Readers:
    return Readers(1)


def work(folder: Path, **arguments: object) -> Work:
    return Work(OpenWarehouse(folder=folder), current_snapshot(folder), rates, arguments)


def test_an_answer_from_beside_is_the_one_worked_out_here(folder: Path, readers: Readers) -> None:
    asked = work(folder, selection=Selection(), by="sex")
    assert told(waited(readers.ask("a", asked))) == told(asked.done())


def test_what_is_wrong_comes_back_whole(folder: Path, readers: Readers) -> None:
    with pytest.raises(RequestError) as told:
        waited(readers.ask("a", work(folder, selection=Selection(), by="no such thing")))
    with pytest.raises(RequestError) as here:
        work(folder, selection=Selection(), by="no such thing").done()
    assert told.value.sentence() == here.value.sentence()
    with pytest.raises(TypeError):
        waited(readers.ask("a", work(folder, no_such_argument=1)))


def test_a_process_that_is_killed_is_said_and_replaced(folder: Path) -> None:
    before = set(psutil.Process().children())
    readers = Readers(1)
    assert waited(readers.ask("a", Making(os.getpid, ()))) != os.getpid()
    (started,) = set(psutil.Process().children()) - before
    asked = readers.ask("a", Making(time.sleep, (60,)))
    time.sleep(0.3)
    started.send_signal(signal.SIGKILL)
    with pytest.raises(WarehouseError, match="was stopped"):
        waited(asked)
    assert waited(readers.ask("a", work(folder, selection=Selection()))).build


def test_a_second_process_is_started_once_somebody_has_to_wait() -> None:
    before = set(psutil.Process().children())
    readers = Readers(3)
    for _ in range(20):
        waited(readers.ask("a", Making(os.getpid, ())))
    assert len(set(psutil.Process().children()) - before) == 1
    for one in [readers.ask(person, Making(time.sleep, (1,))) for person in ("a", "b")]:
        waited(one)
    assert len(set(psutil.Process().children()) - before) == 2


def test_nobody_gets_a_second_turn_before_everybody_had_one() -> None:
    readers, order = Readers(1), list[str]()
    waited(readers.ask("first", Making(os.getpid, ())))
    blocking = readers.ask("greedy", Making(time.sleep, (0.5,)))
    asked = []
    for name in ("greedy 1", "greedy 2", "greedy 3", "modest 1", "late 1"):
        future = readers.ask(name.partition(" ")[0], Making(os.getpid, ()))
        future.add_done_callback(lambda _, name=name: order.append(name))
        asked.append(future)
    for future in (blocking, *asked):
        waited(future)
    assert {name.partition(" ")[0] for name in order[:3]} == {"greedy", "modest", "late"}
    assert order[3:] == ["greedy 2", "greedy 3"]


def test_an_answer_is_worked_out_once_however_many_ask(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers, asked = Answers(), list[str]()
    answers.start(1)
    assert answers.readers is not None
    plain = answers.readers.ask

    def counted(person: str, one: Any) -> Future[Any]:
        asked.append(person)
        return plain(person, one)

    monkeypatch.setattr(answers.readers, "ask", counted)
    found: list[Any] = []
    same = work(folder, selection=Selection(), by="age_band")
    threads = [
        threading.Thread(target=lambda n=n: found.append(answers.answer(f"p{n}", same, waiting=waited)))
        for n in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(asked) == 1
    assert len({id(one) for one in found}) == 1
    harbour = work(folder, selection=Selection(filters={"practice": ("HARBOUR",)}), by="age_band")
    assert answers.answer("p1", harbour, waiting=waited) is not found[0], "another viewer's cases, another answer"
    assert len(asked) == 2


def test_what_went_wrong_is_asked_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = Answers()
    asked = work(folder, selection=Selection())
    with monkeypatch.context() as patched:
        patched.setattr(Work, "done", lambda _: (_ for _ in ()).throw(WarehouseError("busy")))
        with pytest.raises(WarehouseError):
            answers.answer("a", asked, waiting=waited)
    assert answers.answer("a", asked, waiting=waited).build


def test_a_page_that_waits_lets_another_one_draw() -> None:
    turns, drawn, may_end = Turns(1), list[str](), threading.Event()

    def page(name: str, then: Callable[[], object]) -> None:
        with turns.taken():
            drawn.append(name)
            with turns.let_go():
                then()
            drawn.append(f"{name} ended")

    first = threading.Thread(target=page, args=("first", lambda: may_end.wait(60)))
    first.start()
    while drawn != ["first"]:
        time.sleep(0.01)
    page("second", lambda: None)
    may_end.set()
    first.join()
    assert drawn == ["first", "second", "second ended", "first ended"]
    with turns.let_go():
        pass  # outside of any page nothing is given away
    assert turns._free._value == 1


def test_a_picture_is_drawn_once_for_all_who_see_the_same_and_anew_where_anything_differs(
    opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = list[str]()
    chart = ChartFigure.chart

    def counted(figure: ChartFigure, *given: Any, **named: Any) -> Any:
        drawn.append(figure.alt)
        return chart(figure, *given, **named)

    monkeypatch.setattr(ChartFigure, "chart", counted)
    screen._drawn.cache_clear()
    first = [one.proto.SerializeToString() for one in opened("answer", fresh=True).get("vega_lite_chart")]
    assert 0 < len(drawn) <= len(first)
    before = len(drawn)
    assert [one.proto.SerializeToString() for one in opened("answer", fresh=True).get("vega_lite_chart")] == first
    assert len(drawn) == before
    monkeypatch.setenv("MENTON_VIEWER", "coordinator")
    opened("answer", fresh=True)
    assert len(drawn) > before, "small counts are hidden: another picture"


@pytest.mark.parametrize("page", PAGES)
def test_pages_ask_nothing_that_cannot_be_asked_beside(
    page: str, opened: Open, readers: Readers, monkeypatch: pytest.MonkeyPatch
) -> None:
    beside = Answers()
    beside.readers = readers
    monkeypatch.setattr(ask, "ANSWERS", beside)
    app = opened(page, fresh=True)
    said = everything_said(app)
    assert "the fault is ours" not in said
    assert not app.exception
    assert app.title[0].value


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX systems")
def test_processes_that_read_end_with_the_one_that_asks_however_it_ends() -> None:
    script = (
        "import os, time; from dashboard.access.working import Making, Readers\n"
        "print(Readers(1).ask('a', Making(os.getpid, ())).result(), flush=True); time.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as asking:
        assert asking.stdout is not None
        reads = int(asking.stdout.readline())
        assert psutil.pid_exists(reads)
        asking.kill()
    until = time.monotonic() + 60
    while psutil.pid_exists(reads) and time.monotonic() < until:
        time.sleep(0.1)
    assert not psutil.pid_exists(reads)
    assert working.READS
