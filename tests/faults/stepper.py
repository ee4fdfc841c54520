"""The other end of ``stepped.py``: commands carried out in children that can be killed and measured."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from tests.warm import python

ROOT = Path(__file__).parents[2]


class Stepper:
    """The other end of ``tests/faults/stepped.py``."""

    def __init__(self, log: Path) -> None:
        self.log = log
        self.milliseconds = self.kibibytes = 0
        self.process = subprocess.Popen(
            [python(), "-m", "tests.faults.stepped"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(
        self, words: list[str], *, kill: int | None = None, within: float | None = None, counted: bool = False
    ) -> tuple[int, int]:
        """Carry a command out; gives its exit code and its steps (0 where they are not counted)."""
        asked = {"words": words, "log": str(self.log), "kill": kill, "within": within, "counted": counted or bool(kill)}
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(asked) + "\n")
        self.process.stdin.flush()
        code, steps, self.milliseconds, self.kibibytes = map(int, self.process.stdout.readline().split())
        return code, steps

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")

    def close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(timeout=60)
        self.process.stdout.close()
