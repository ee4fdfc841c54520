"""Writing a report to a file, told by its ending, or everything to a folder."""

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

from dashboard.report.document import Document
from dashboard.report.findings import findings
from dashboard.report.sections.composing import document
from dashboard.report.shown import Audience, Findings
from warehouse.errors import RequestError
from warehouse.export_safety import as_markdown
from warehouse.leaving.gate import let_out
from warehouse.marts.reader import Reader
from warehouse.questions.answer import COMPARISONS
from warehouse.selection import Selection

ENDINGS = (".html", ".pdf", ".pptx", ".xlsx", ".md")
"""What a single file may end in; a name without an ending is a folder."""

ARCHIVE = ".zip"  # the ending of everything in one file


def default_audience(path: Path) -> Audience:
    """Whom a file is for where nobody said.

    The HTML page is the practice's own working paper: it stays beside the warehouse. Slides, PDF, tables and figures
    are made to be handed round or shown, so they hide small counts unless the practice asks for whole ones.
    """
    return "practice" if path.suffix.lower() == ".html" else "outside"


def write_report(
    folder: Path,
    path: Path,
    *,
    key: str | None = None,
    definition: str | None = None,
    title: str | None = None,
    audience: Audience | None = None,
    name_practice: bool | None = None,
    comparisons: tuple[str, ...] = COMPARISONS,
    practices: bool = True,
    with_questions: bool = True,
    selection: Selection | None = None,
    case: str = "",
    agreed: bool = False,
) -> Path:
    """Write the report of the published snapshot to a file, or everything there is to a folder; gives back ``path``.

    The audience is that of :func:`default_audience` where none is named; the other choices are those of
    :func:`dashboard.report.findings.findings` and :func:`dashboard.report.sections.composing.document`. Raises
    RequestError: the ending is not known, the file cannot be written, or the request may not be met.
    """
    _refuse_unknown(path)
    with Reader.open(folder, key=key) as reader:
        found = findings(
            reader,
            audience=audience or default_audience(path),
            selection=selection,
            definition=definition,
            comparisons=comparisons,
            name_practice=name_practice,
            practices=practices,
            case=case,
            agreed=agreed,
        )
    made = document(found, title=title, with_questions=with_questions)
    if path.suffix:
        let_out(file_bytes(made, path.suffix.lower()), found.leave, to=path, what="report")
    else:
        for place, data in everything(made):
            (path / place).parent.mkdir(parents=True, exist_ok=True)
            let_out(data, found.leave, to=path / place, what="report")
    return path


def file_of(found: Findings, ending: str, title: str, with_questions: bool) -> bytes:
    """The findings as a file of one format, or as an archive of all files (``.zip``); for ``let_out``."""
    made = document(found, title=title, with_questions=with_questions)
    if ending != ARCHIVE:
        return file_bytes(made, ending)
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for place, data in everything(made):
            archive.writestr(place, data)
    return held.getvalue()


def file_bytes(made: Document, ending: str) -> bytes:
    """The document in one format, told by its ending: ``.html``, ``.pdf``, ``.pptx``, ``.xlsx`` or ``.md``."""
    if ending == ".html":
        from dashboard.report.formats.html import html_page

        return html_page(made).encode()
    if ending == ".pdf":
        from dashboard.report.formats.pdf import pdf_file

        return pdf_file(made)
    if ending == ".pptx":
        from dashboard.report.formats.slides.slides import slides_file

        return slides_file(made)
    if ending == ".xlsx":
        from dashboard.report.formats.xlsx import workbook

        return workbook(made)
    return methods_page(made).encode()


def everything(made: Document) -> Iterator[tuple[str, bytes]]:
    """Every file there is: its place in a folder, and its bytes."""
    from dashboard.report.figures import figure_files
    from dashboard.report.formats.xlsx import csv_file

    names = {".html": "report", ".pdf": "report", ".pptx": "slides", ".xlsx": "tables", ".md": "methods"}
    for ending in ENDINGS:
        yield f"{names[ending]}{ending}", file_bytes(made, ending)
    for table in made.tables:
        yield f"tables/{table.name}.csv", csv_file(table, made).encode()
    for picture in made.pictures:
        for ending, drawn in figure_files(picture, made).items():
            yield f"figures/{picture.name}{ending}", drawn


def methods_page(made: Document) -> str:
    """The methods paragraphs with their references, in Markdown."""
    from dashboard.report.sections.methods import CHECK_REFERENCES

    listed = "\n".join(f"{place}. {as_markdown(text)}" for place, text in enumerate(made.references, start=1))
    parts = [
        f"# {as_markdown(made.title)}: how it was done",
        *(as_markdown(text) for text in (made.stamp.line, made.answer, *made.methods)),
        "## References",
        listed,
        CHECK_REFERENCES,
        as_markdown(made.caution),
    ]
    return "\n\n".join(parts) + "\n"


def _refuse_unknown(path: Path) -> None:
    if path.suffix and path.suffix.lower() not in ENDINGS:
        found = f"a report cannot be written to a file ending in {path.suffix!r}"
        remedy = "use one of these endings, or name a folder (no ending) to get everything"
        raise RequestError(found, where=path.name, expected=", ".join(ENDINGS), remedy=remedy)
