"""Makes the kept example of a schema: ``python -m tests.faults.keep_schema 3`` writes ``schemas/0003.zip``.

To be run once, when migration 3 is new and nothing comes after it: the example is then a store as that version of the
program wrote it, and is never made again. An example that exists is not overwritten.
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from pipelines.ingest.loading import load
from tests.hand_made import made_case, sorted_delivery
from warehouse.marts.catalogues import register
from warehouse.outcomes.registry import definition_to_dict, shipped_registry
from warehouse.store import store as store_module
from warehouse.store.storage import Connection
from warehouse.store.store import STORE, migrations, open_store

FOLDER = Path(__file__).parent / "schemas"
CASES = 17
"""Cases of the example, all of them invented."""


def example(number: int) -> Path:
    """Where the example of a schema is kept."""
    return FOLDER / f"{number:04}.zip"


def unpack(number: int, folder: Path) -> Path:
    """Lay the kept example of a schema out as a warehouse folder."""
    with zipfile.ZipFile(example(number)) as packed:
        packed.extractall(folder)
    return folder


def fill(store: Connection) -> None:
    """A load, a second one that replaces a case and turns a row away, and entries put in force."""
    rows = [
        made_case(
            f"kept {n}",
            sex="female" if n % 2 else "male",
            age_at_start=9.0 + n / 2,
            sn_gogn_deg_start=30.0 + n,
            sn_gogn_deg_finish=31.0 + 1.5 * n,
            mouth_posture_start="open" if n % 3 else "closed",
        )
        for n in range(CASES)
    ]
    load(store, [(sorted_delivery(rows), "request 1")], contract_version="1.0.0")
    with store.transaction():  # the second load in columns of schema 1: today's loader would want those of today
        store.execute(
            "insert into loads by name select * replace (2 as load_id, 'later.csv' as source_name, 2 as n_read,"
            " 1 as n_loaded, 1 as n_turned_away, 'request 2' as request_sha256) from loads"
        )
        store.execute(
            "insert into cases by name select * replace (2 as load_id, 'no_return' as status)"
            " from cases where case_no = 1"
        )
        store.execute("update cases set replaced_by = 2 where case_no = 1 and load_id = 1")
        store.execute("insert into turned_away values (2, 'cases', 3, 'sex', 'R001', 'text of 3 letters', null)")
        store.execute("insert into remarks values (2, 'cases', 2, 'age_at_start', 'R002', '9.0', null)")
        register(store, "definition", "D1", "1.0.0", definition_to_dict(shipped_registry().get("D1")))
        register(store, "setting", "headline", "1", "D1")


def make(number: int) -> Path:
    """Make the example.

    Raises:
        FileExistsError: It is kept already.
    """
    known = migrations()
    with TemporaryDirectory() as place, patch.object(store_module, "migrations", lambda: known[:number]):
        folder = Path(place)
        with open_store(folder, create=True) as store:
            fill(store)
            store.execute("checkpoint menton")
        FOLDER.mkdir(exist_ok=True)
        with zipfile.ZipFile(example(number), "x", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
            packed.write(folder / STORE, STORE)
    return example(number)


if __name__ == "__main__":
    sys.stdout.write(f"{make(int(sys.argv[1])).name}\n")
