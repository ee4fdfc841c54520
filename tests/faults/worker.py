"""A process that loads and publishes until it is killed.

It imports everything once, then makes a child for each line of its standard input (a folder, and how many rounds),
so that a kill costs no second start of Python. What the child did is written to standard output, a line a step:
a load is acknowledged by the line ``loaded``, a snapshot by the line ``published``.
"""

from __future__ import annotations

import os
import sys
from itertools import count
from pathlib import Path

import pandas  # noqa: F401 - DuckDB imports both when it is first used: better once here than in every child
import pyarrow  # noqa: F401

from pipelines.ingest.loading import load
from tests.hand_made import made_case, sorted_delivery
from warehouse.marts.publish import publish
from warehouse.store.store import open_store

CASES = 30
"""Cases of each load, all of them new."""


def tell(line: str) -> None:
    os.write(1, f"{line}\n".encode())


def work(folder: Path, rounds: int) -> None:
    tell("opening")
    with open_store(folder, create=True) as store:
        for _ in range(rounds) if rounds else count():
            number = store.value("select coalesce(max(load_id), 0) + 1 from loads")
            rows = [made_case(f"{number}-{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(CASES)]
            delivery = sorted_delivery(rows, source=f"{number}.csv")
            tell("loading")
            (record,) = load(store, [(delivery, f"request {number}")], contract_version="1.0.0")
            tell(f"loaded {record.load_id}")
            snapshot = publish(folder, store)
            tell(f"published {snapshot.build_id}")


def main() -> None:
    for line in iter(sys.stdin.readline, ""):
        folder, rounds = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            work(Path(folder), int(rounds))
            os._exit(0)
        tell(f"child {child}")
        _, status = os.waitpid(child, 0)
        tell(f"ended {os.waitstatus_to_exitcode(status)}")


if __name__ == "__main__":
    main()
