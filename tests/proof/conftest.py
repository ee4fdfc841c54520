"""One table for the whole proof, printed at the end, and written down where MENTON_WRITE_PROOF asks for it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.proof.ledger import Ledger

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


@pytest.fixture(scope="session")
def ledger() -> Iterator[Ledger]:
    """The table; prints itself when the last test of the proof is done."""
    found = Ledger()
    yield found
    print(f"\n\n{found.markdown()}")
    piece = os.environ.get("MENTON_PROOF_PIECE")
    if piece:
        found.keep(Path(piece))
    if os.environ.get("MENTON_WRITE_PROOF") == "1":
        found.write(HERE / "proof.md", ROOT / "warehouse" / "upkeep" / "proof.json")
