"""The self-contained HTML report: no script, no outside address, everything in one file."""

from __future__ import annotations

from importlib.metadata import version
from importlib.resources import files
from typing import TYPE_CHECKING

from dashboard.charts.images import inline_svg
from dashboard.charts.rates import rates_alt, rates_chart
from dashboard.charts.sampling import losses_in_words, sampling_alt, sampling_chart
from dashboard.charts.threshold import threshold_alt, threshold_chart
from dashboard.report.findings import Findings, findings
from warehouse import wording
from warehouse.errors import RequestError
from warehouse.outcomes.definition import FAMILIES

if TYPE_CHECKING:
    from pathlib import Path


def write_report(
    folder: Path, path: Path, *, key: str | None = None, definition: str | None = None, title: str | None = None
) -> Path:
    """Write the report of the published snapshot to ``path``.

    Raises:
        RequestError: The file cannot be written.
    """
    page = report_page(findings(folder, key=key, definition=definition), title=title)
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        found = "the report cannot be written"
        raise RequestError(found, where=path.name, remedy="name a file you may write to") from error
    return path


def report_page(found: Findings, *, title: str | None = None) -> str:
    """The report as one HTML page."""
    from jinja2 import Environment, StrictUndefined, select_autoescape

    environment = Environment(
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = wording.percent
    environment.filters["percent_range"] = wording.percent_range
    template = environment.from_string(files("dashboard.report").joinpath("report.html").read_text(encoding="utf-8"))
    return template.render(
        title=title or "Audit of vertical facial change",
        found=found,
        overall=found.overall.groups[0],
        wording=wording,
        families=FAMILIES,
        losses_in_words=losses_in_words,
        pictures=_pictures(found),
        tool_version=version("menton"),
        cautions=_cautions(found),
    )


def _pictures(found: Findings) -> dict[str, str]:
    drawn = {
        "sampling": inline_svg(sampling_chart(found.overall.flow), label=sampling_alt(found.overall.flow)),
        "threshold": inline_svg(threshold_chart(found.threshold), label=threshold_alt(found.threshold)),
    }
    for result in found.by:
        if result.by is not None:
            drawn[result.by.name] = inline_svg(rates_chart(result), label=rates_alt(result))
    return drawn


def _cautions(found: Findings) -> list[str]:
    texts = [caution.text for caution in found.overall.groups[0].warnings]
    texts += [
        f"{group.label}: {caution.text}" for result in found.by for group in result.groups for caution in group.warnings
    ]
    texts += [caution.text for caution in found.threshold.cautions]
    return list(dict.fromkeys(texts))
