"""Hierarchies of ordered variables (age bands, years), to try generalisation on."""

from __future__ import annotations

from collections.abc import Sequence

from warehouse.disclosure.hierarchy import Hierarchy


def ordered(name: str, base: Sequence[str], *sizes: int) -> Hierarchy:
    """Neighbouring values merged in blocks from the first, a block size a level."""
    return Hierarchy.of_categories(name, base, *(_merged(base, size) for size in sizes))


def _merged(base: Sequence[str], size: int) -> dict[str, Sequence[str]]:
    blocks = [base[start : start + size] for start in range(0, len(base), size)]
    return {block[0] if len(block) == 1 else f"{block[0]} to {block[-1]}": block for block in blocks}
