"""Several appliances of one cell, one after the other: ``RPE then braces``."""

import re
from functools import lru_cache

from pipelines.contract.words import written_in_cells


@lru_cache(maxsize=1)
def _between() -> re.Pattern[str]:
    words = sorted(written_in_cells().between, key=len, reverse=True)
    parts = [rf"\s+{re.escape(word)}\s+" if word[0].isalpha() else rf"\s*{re.escape(word)}\s*" for word in words]
    return re.compile(rf"[\s,;]*(?:{'|'.join(parts)})", re.IGNORECASE)


def in_turn(text: str) -> list[str]:
    """The appliances of a cell in order, trimmed; the cell itself where nothing says that one came after another."""
    return [part for part in map(str.strip, _between().split(text)) if part]
