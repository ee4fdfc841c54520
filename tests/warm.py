"""A Python that has imported everything already, for tests that start Menton as processes of their own.

``python()`` is a program to be started as ``sys.executable`` is, with ``-m`` or ``-c``. It asks one process of the run,
which has imported the program, for a child: a copy of it (``fork``), which takes the words, the folder, the
environment, the umask and the streams of whoever asked, and whose ``sys.executable`` is this program again. A child
ends as it would, by the same signals and with the same code, but begins in hundredths of a second and not in seconds.
What a test says of the start itself (what is imported, by which flags) it asks of ``sys.executable``.

Only imports are done before a child is made, so that no connection or thread of the interpreter is copied.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import marshal
import os
import runpy
import selectors
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages
from typing import NoReturn, cast

if sys.platform == "linux":
    import fcntl

ROOT = Path(__file__).parents[1]
PATIENCE = 300
LIBRARIES = ("duckdb", "fastexcel", "pandas", "polars", "pyarrow.parquet", "scipy.stats")
READER = "dashboard.access.working"

# What stands in the place of the interpreter: hands its streams over, passes signals on and ends as the child does.
PROGRAM = """#!{python} -IS
import array, marshal, os, signal, socket, sys
line = socket.socket(socket.AF_UNIX)
line.connect({address!r})
umask = os.umask(0)
os.umask(umask)
asked = marshal.dumps((sys.argv[1:], os.getcwd(), dict(os.environ), umask, os.nice(0)))
streams = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [0, 1, 2]))]
line.sendmsg([len(asked).to_bytes(8, "little")], streams)
line.sendall(asked)
for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
    signal.signal(one, lambda number, _: line.send(bytes([number])))
code = int.from_bytes(line.recv(4, socket.MSG_WAITALL), "little", signed=True)
if code < 0:
    signal.signal(-code, signal.SIG_DFL) if -code != signal.SIGKILL else None
    os.kill(os.getpid(), -code)
os._exit(code)
"""

_started: list[subprocess.Popen[bytes]] = []


@cache
def python() -> str:
    """The program; ``sys.executable`` where a process cannot be copied and watched in this way."""
    if sys.platform != "linux":
        return sys.executable
    place = Path(tempfile.gettempdir()) / f"menton-tests-{os.environ.get('PYTEST_XDIST_TESTRUNUID', os.getpid())}"
    place.mkdir(mode=0o700, exist_ok=True)
    program, address = place / "python", place / "asked"
    with (place / "lock").open("w") as lock:  # the processes of a run share one
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not address.exists():
            program.write_text(PROGRAM.format(python=sys.executable, address=str(address)), encoding="utf-8")
            program.chmod(0o700)
            words = [sys.executable, "-m", "tests.warm", str(address)]
            _started.append(
                subprocess.Popen(
                    words, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True
                )
            )
            until = time.monotonic() + PATIENCE
            while not address.exists():
                assert _started[-1].poll() is None, f"the process to be copied ended before it was up: try {words}"
                assert time.monotonic() < until, "the process to be copied did not come up"
                time.sleep(0.02)
        holding = socket.socket(socket.AF_UNIX)  # while one is held the process stays
        holding.connect(str(address))
    atexit.register(holding.close)
    return str(program)


class Children:
    """Those who ask, each with the child that was made for them, until one of the two has ended."""

    def __init__(self, door: socket.socket) -> None:
        self.door = door
        self.ready = selectors.DefaultSelector()
        self.ready.register(door, selectors.EVENT_READ)
        self.of: dict[socket.socket, int] = {}

    def serve(self, leave: Callable[[], bool]) -> None:
        """Make children until nobody holds a line and ``leave`` says so."""
        until = time.monotonic() + PATIENCE
        while True:
            for key, _ in self.ready.select(timeout=1):
                if key.fileobj is self.door:
                    self.ready.register(self.door.accept()[0], selectors.EVENT_READ)
                    until = 0.0
                elif isinstance(key.fileobj, socket.socket):
                    self._heard(key.fileobj)
                else:
                    self._ended(*key.data, watch=int(str(key.fd)))
            if len(self.ready.get_map()) == 1 and time.monotonic() > until and leave():
                return

    def _heard(self, line: socket.socket) -> None:
        """What a line says: the words of a child to be made, signals for it, or that whoever asked is gone."""
        if line in self.of:
            told = line.recv(64)
            for number in told or [signal.SIGKILL]:
                os.kill(self.of[line], number)
            if not told:
                self.ready.unregister(line)  # closed when the child has ended
            return
        length, streams, *_ = socket.recv_fds(line, 8, 3)
        if not length:
            self.ready.unregister(line)
            line.close()
            return
        asked = marshal.loads(line.recv(int.from_bytes(length, "little"), socket.MSG_WAITALL))
        child = os.fork()
        if child == 0:
            self._let_go()
            _become(streams, *asked)
        for stream in streams:
            os.close(stream)
        self.of[line] = child
        self.ready.register(os.pidfd_open(child), selectors.EVENT_READ, (line, child))

    def _ended(self, line: socket.socket, child: int, *, watch: int) -> None:
        self.ready.unregister(watch)
        os.close(watch)
        _, status = os.waitpid(child, 0)
        with suppress(OSError, KeyError):
            line.sendall(os.waitstatus_to_exitcode(status).to_bytes(4, "little", signed=True))
        with suppress(KeyError):
            self.ready.unregister(line)
        del self.of[line]
        line.close()

    def _let_go(self) -> None:
        """A child holds nothing of what belongs to others."""
        held = [key.fileobj for key in self.ready.get_map().values()]
        self.ready.close()
        for one in {*held, *self.of}:
            os.close(one.detach() if isinstance(one, socket.socket) else cast(int, one))


def _become(streams: list[int], words: list[str], folder: str, told: dict[str, str], umask: int, nice: int) -> NoReturn:
    """Be what was asked for, in a process of its own, and end as it does."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG: copies end with it
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    os.chdir(folder)
    os.umask(umask)
    os.nice(nice - os.nice(0))
    os.environ.clear()
    os.environ.update(told)
    code = 0
    try:
        _run(words)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
        if isinstance(ended.code, str):
            print(ended.code, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
        code = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    with suppress(OSError):
        sys.stdout.flush()
    os._exit(code & 255)


def _run(words: list[str]) -> None:
    at = next(n for n, word in enumerate(words) if word in {"-m", "-c"})
    kind, what, *given = words[at:]
    sys.argv = [kind, *given]
    if kind == "-c":
        exec(compile(what, "<string>", "exec"), {"__name__": "__main__"})
    else:
        if what == READER:  # it is imported under its name as well, and after it was run: not before
            for name in [name for name in sys.modules if name.partition(".")[0] == "dashboard"]:
                del sys.modules[name]
        runpy.run_module(what, run_name="__main__", alter_sys=True)


def import_everything() -> None:
    """The program, and what it imports later; of the dashboard what is imported before it serves."""
    import pipelines
    import warehouse

    modules = [one.name for own in (pipelines, warehouse) for one in walk_packages(own.__path__, f"{own.__name__}.")]
    for name in (*LIBRARIES, *modules):
        import_module(name)
    from dashboard.access.working import READS
    from dashboard.entry.serve import import_pages_modules

    for name in (*READS, "dashboard.report.findings"):
        import_module(name)
    import_pages_modules()


def main(address: Path) -> None:
    """Be the process that is copied, at an address."""
    sys.executable = str(address.with_name("python"))
    import_everything()
    warnings.filterwarnings("ignore", message=".*found in sys.modules after import.*", category=RuntimeWarning)
    gc.collect()
    gc.freeze()
    with socket.socket(socket.AF_UNIX) as door, address.with_name("lock").open("w") as lock:
        door.bind(str(address.with_name("draft")))
        door.listen(64)
        address.with_name("draft").rename(address)
        children = Children(door)

        def leave() -> bool:
            """Whether nobody is about to come."""
            fcntl.flock(lock, fcntl.LOCK_EX)
            if children.ready.select(timeout=0):
                fcntl.flock(lock, fcntl.LOCK_UN)
                return False
            shutil.rmtree(address.parent)
            return True

        children.serve(leave)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
