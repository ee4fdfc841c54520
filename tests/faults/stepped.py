"""A process that carries out ``menton`` commands and kills itself at a given step, so that the moment of a kill depends
on how far the command has come and on nothing else.

A step is a call out of Python that can change something outside it: a statement given to DuckDB, or opening, writing,
syncing, renaming or removing a file. They are counted through the interpreter's own profiling hook, so that nothing of
the program is replaced. Everything heavy is imported once; each command runs in a child of its own.

Read from standard input, a line a command: JSON with ``words``, ``log`` (file for what the command says), ``kill``
(the step to die before; null: none), ``within`` (seconds into that step instead; null: before it) and ``counted``
(whether steps are counted at all: the hook makes everything several times slower). Written to standard output, a line a
command: the exit code (-9: killed), the steps counted, the milliseconds of processor time and the most kibibytes of
memory the child took.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages
from types import ModuleType
from typing import Any

import pipelines
import warehouse
from pipelines.cli import main

LIBRARIES = ("duckdb", "fastexcel", "pandas", "polars", "pyarrow.parquet")

OF_FILES = {
    "open",
    "fsync",
    "write",
    "replace",
    "rename",
    "unlink",
    "remove",
    "rmdir",
    "mkdir",
    "ftruncate",
    "sendfile",
}
OF_DATABASES = {"execute", "close"}
WATCHED = OF_FILES | OF_DATABASES


class Steps:
    """Counts the steps of this process and, at the one that is given, kills it."""

    def __init__(self, kill: int | None, within: float | None) -> None:
        self.n = 0
        self.kill = kill
        self.reached = threading.Event() if within is not None else None
        if within is not None:
            threading.Thread(target=self._wait_and_kill, args=(within,), daemon=True).start()

    def __call__(self, _: object, event: str, called: Any) -> None:
        if event != "c_call" or called.__name__ not in WATCHED or not is_step(called):
            return
        self.n += 1
        if self.n != self.kill:
            return
        if self.reached is None:
            die()
        else:
            self.reached.set()

    def _wait_and_kill(self, seconds: float) -> None:
        assert self.reached is not None
        self.reached.wait()
        time.sleep(seconds)
        die()


def is_step(called: Any) -> bool:
    """Whether a built-in function may change something outside Python; ``replace`` of a text does not."""
    name, owner = called.__name__, getattr(called, "__self__", None)
    if name in OF_DATABASES:
        return not isinstance(owner, str)
    return name in OF_FILES and (isinstance(owner, ModuleType) or hasattr(owner, "fileno"))


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def carry_out(asked: dict[str, Any], tell: int) -> int:
    """Run a command in this process; the number of steps goes to ``tell``."""
    with Path(asked["log"]).open("w", encoding="utf-8") as log:
        os.dup2(log.fileno(), 1)
        os.dup2(log.fileno(), 2)
    steps = Steps(asked["kill"], asked["within"])
    sys.setprofile(steps if asked["counted"] else None)
    code = main(asked["words"])
    sys.setprofile(None)
    sys.stdout.flush()
    sys.stderr.flush()
    os.write(tell, str(steps.n).encode())
    return code


def serve() -> None:
    modules = [one.name for own in (pipelines, warehouse) for one in walk_packages(own.__path__, f"{own.__name__}.")]
    for name in (*LIBRARIES, *modules):
        import_module(name)
    for line in iter(sys.stdin.readline, ""):
        asked = json.loads(line)
        listen, tell = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(listen)
            os._exit(carry_out(asked, tell))
        os.close(tell)
        _, status, used = os.wait4(child, 0)
        counted = os.read(listen, 20).decode() or "0"
        os.close(listen)
        milliseconds = round(1000 * (used.ru_utime + used.ru_stime))
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)} {counted} {milliseconds} {used.ru_maxrss}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()
