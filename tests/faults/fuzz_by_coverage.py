"""Fuzzing led by coverage, for ``make fuzz``: one door at a time, ``python -m tests.faults.fuzz_by_coverage DOOR``.

Needs the library atheris, which is no part of the locks; arguments after the door are those of libFuzzer, such as
``-max_total_time=600``. Inputs that reach new code are kept in the folder named after the options, if there is one.
"""

from __future__ import annotations

import sys

import atheris

with atheris.instrument_imports(include=["pipelines", "warehouse", "dashboard"]):
    from tests.faults.fuzzing import DOORS, entered


def main(words: list[str]) -> None:
    """Fuzz the door named first until the time is up or an input does what none may do."""
    name = words[1]
    door = DOORS[name]
    label = door.seeds()[0][0]
    changed = f"{label.partition('.')[0]}0.{label.partition('.')[2]}"

    def one(data: bytes) -> None:
        entered(name, door, 0, changed, data)

    atheris.Setup([words[0], *words[2:]], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
