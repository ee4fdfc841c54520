"""The report as one HTML page: no script, no outside address, everything in one file."""

from importlib.resources import files

from dashboard.report.document import Document
from dashboard.report.figures import inline_svg
from dashboard.report.sections.methods import CHECK_REFERENCES


def html_page(document: Document) -> str:
    """The document as a page."""
    from jinja2 import Environment, StrictUndefined, select_autoescape

    environment = Environment(
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.from_string(
        files("dashboard.report.formats").joinpath("report.html").read_text(encoding="utf-8")
    )
    pictures = {picture.name: inline_svg(picture) for picture in document.pictures}
    return template.render(document=document, pictures=pictures, check_references=CHECK_REFERENCES)
