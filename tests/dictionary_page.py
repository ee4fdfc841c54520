"""The data dictionary as a page to read, written from the contract and the catalogue of measures.

``python -m tests.dictionary_page`` writes ``pipelines/contract/dictionary.md`` anew; a test holds the page against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from pipelines.contract.contract import Contract, load_contract
from pipelines.contract.dictionary import TEXT, code_lists, column_rows, measure_rows
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.measure import Measure

FILE = Path(__file__).parents[1] / "pipelines/contract/dictionary.md"


def dictionary(contract: Contract, catalogue: Mapping[str, Measure]) -> str:
    """The whole dictionary as Markdown."""
    missing = ", ".join(f"`{word}`" for word in sorted(contract.missing) if word)
    parts = [
        f"# {contract.title}: data dictionary",
        f"Contract version {contract.version}. This page is made from the contract; do not edit it by hand.",
        TEXT["introduction"].format(times=", ".join(contract.timepoints), missing=f"a blank cell, {missing}"),
    ]
    for table in contract.tables:
        parts += [f"## Table `{table.name}`", table.about, f"Key: {', '.join(f'`{name}`' for name in table.key)}."]
        rows = [row[1:] for row in column_rows(contract) if row[0] == table.name]
        parts.append(_markdown_table(TEXT["column_titles"][1:], rows))
    parts += ["## Codes", TEXT["codes"]]
    for name, codes in code_lists(contract).items():
        parts += [f"### `{name}`", _markdown_table(("Code", "Meaning"), codes)] if name != "tooth" else []
    measures = _markdown_table(TEXT["measure_titles"], measure_rows(catalogue.values()))
    parts += ["## Measures", TEXT["measures"], measures]
    return "\n\n".join(parts) + "\n"


def _markdown_table(titles: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [titles, ["---"] * len(titles), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def main() -> None:
    """Write the shipped dictionary anew."""
    FILE.write_text(dictionary(load_contract(), CATALOGUE), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
