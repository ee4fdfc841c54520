"""The same figure in HTML, PDF, slides, workbook and CSV, to the last digit shown; and as on the screens."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.charts.intervals import Intervals, forest_figure, means_figure
from dashboard.report.document import DocumentTable
from dashboard.report.figures import figure_svg
from tests.dashboard.report.conftest import PRACTICES, Made, behind, charts_of, notes_of, of_practice, tables_of
from tests.hand_made import load_rows
from warehouse.marts.reader import Reader
from warehouse.pooled.this_warehouse import practices_here
from warehouse.questions.shares import rates
from warehouse.selection import Selection
from warehouse.words import shares as wording
from warehouse.words.numbers import percent, percent_range, signed


def on_page(table: DocumentTable) -> list[list[str]]:
    shown = [place for place, column in enumerate(table.columns) if column.on_page]
    heading = [table.columns[place].heading for place in shown]
    return [heading, *([row[place].text for place in shown] for row in table.rows)]


def test_every_table_stands_on_the_page_as_it_is(made: Made) -> None:
    expected = {table.caption: on_page(table) for table in made.document.tables if table.on_page}
    assert tables_of(made.html) == expected


def test_every_row_stands_in_the_pdf(made: Made) -> None:
    text = made.pdf_text.replace(" ", "")
    rows = [row for table in made.document.tables if table.on_page for row in on_page(table)[1:]]
    absent = [row for row in rows if "".join(row[1:]).replace(" ", "") not in text]
    assert len(rows) > 40
    assert absent == []


def test_the_answer_and_what_goes_with_it_stand_everywhere(made: Made) -> None:
    slides = "\n".join(
        shape.text_frame.text for slide in made.slides.slides for shape in slide.shapes if shape.has_text_frame
    )
    about = {str(cell.value) for (_, cell) in made.workbook["about"].iter_rows()}
    page = made.html.replace("&#39;", "'").replace("&#34;", '"')
    for text in (made.document.answer, *made.document.lead):
        assert text in page
        assert text.replace(" ", "") in made.pdf_text.replace(" ", "")
        assert text in notes_of(made.slides)
        assert text in about
    assert made.document.answer in slides
    assert made.document.answer in made.files[".md"].decode()


def test_numbers_in_sheets_are_those_printed(made: Made) -> None:
    for table in made.document.tables:
        sheet = list(made.workbook[table.name[:31]].iter_rows(values_only=True))
        lines = made.csv(table.name)
        shown = [(place, column) for place, column in enumerate(table.columns) if column.on_sheet]
        assert sheet[0] == tuple(column.key for _, column in shown)
        for row, in_sheet, in_csv in zip(table.rows, sheet[1:], lines, strict=True):
            for at, (place, column) in enumerate(shown):
                entry = row[place]
                assert in_sheet[at] == (entry.text if entry.number is None else entry.number)
                assert printed(in_csv[column.key], column.kind) == entry.text


def printed(cell: str, kind: str) -> str:
    """A cell of a CSV file as a page would print it."""
    try:
        number = float(cell)
    except ValueError:
        return cell
    shapes = {
        "percent": f"{number:.1f}%",
        "count": f"{number:,.0f}",
        "change": signed(number),
        "mean": signed(number, digits=2),
        "ratio": f"{number:.2f}".replace("-", "−"),
    }
    return shapes.get(kind, cell)


def test_native_charts_hold_the_printed_numbers(made: Made) -> None:
    charts = charts_of(made.slides)
    for picture in made.document.pictures:
        figure = picture.figure
        if not isinstance(figure, Intervals) or figure.unit != "share":
            continue
        if picture.name in {"definitions", "practices"}:  # these lie beside each other in the talk
            continue
        drawn = [row for row in figure.frame.iter_rows(named=True) if row["value"] is not None]
        if not drawn:
            assert picture.title not in charts
            continue
        heading, *rows = behind(charts[picture.title])
        assert heading[1:] == ("share adverse, %", "low", "high", "up to high", "down to low")
        printed = [f"{bar['name']}: {bar['said']}" for bar in drawn]
        assert [f"{row[0]} ({row[2]:.1f}% to {row[3]:.1f}%)" for row in rows] == printed
        assert all(row[0].endswith(f", {row[1]:.1f}%") for row in rows)
        for _, share, low, high, up, down in rows:
            assert (share + up, share - down) == (pytest.approx(high), pytest.approx(low))


def test_practices_stand_the_same_on_the_page_and_in_every_file(group: Made, practices: Path) -> None:
    with Reader.open(practices) as reader:
        here = practices_here(reader)
    assert group.found.beside is not None
    assert here.means is not None
    screen = {row["name"]: row for row in forest_figure(here.pool).frame.iter_rows(named=True)}
    (table,) = (one for one in group.document.tables if one.name == "practices")
    keys = [column.key for column in table.columns]
    shown = [{key: entry.text for key, entry in zip(keys, row, strict=True)} for row in table.rows]
    assert [row["practice"] for row in shown] == [*(line.label for line in here.pool.lines), "all together"]
    assert sum(row["share_pct"].startswith("hidden") for row in shown) >= 3, "some counts must be hidden here"
    for row in shown:
        on_screen = screen[row["practice"]]
        said = row["share_pct"] if row["interval"] == "–" else f"{row['share_pct']} ({row['interval']})"
        assert said == on_screen["said"]
        assert on_screen["counts"] in (f"{row['adverse']} of {row['counted']}", "6 practices")
        assert drawn_in(group, "Practices beside each other", said)
    means = {row["name"]: row["said"] for row in means_figure(here.means).frame.iter_rows(named=True)}
    for one in entries_of(group, "practices_change"):
        if one["mean_change"] == "–":  # of a new practice there is only where its mean would lie
            assert means["a new practice"].startswith(one["interval"])
            continue
        assert means[one["practice"]].startswith(f"{one['mean_change']} ({one['interval']})")
        assert drawn_in(group, "How far faces moved, practice by practice", f"{one['mean_change']} ({one['interval']})")


def drawn_in(made: Made, title: str, said: str) -> bool:
    """Whether a figure stands in the picture of the page, in its alternative, in the PDF, and in the notes."""
    (picture,) = (one for one in made.document.pictures if one.title == title)
    drawn = figure_svg(picture, made.document)
    packed = said.replace(" ", "")
    read = (drawn, made.html, notes_of(made.slides), made.pdf_text)
    value, _, interval = said.partition(" (")
    in_words = [all(part in text for part in (value, interval.rstrip(")"))) for text in read[:3]]
    return all(in_words) and all(part in made.pdf_text.replace(" ", "") for part in packed.rstrip(")").split("("))


def entries_of(made: Made, name: str) -> list[dict[str, str]]:
    (table,) = (one for one in made.document.tables if one.name == name)
    keys = [column.key for column in table.columns]
    return [{key: entry.text for key, entry in zip(keys, row, strict=True)} for row in table.rows]


def test_native_charts_of_practices_hold_the_printed_numbers(group: Made) -> None:
    charts = charts_of(group.slides)
    rows = [row for row in entries_of(group, "practices") if row["interval"] != "–"]
    heading, *found = behind(charts["Practices beside each other"])
    assert heading[1:4] == ("share adverse, %", "low", "high")
    assert [[f"{value:.1f}%" for value in row[1:4]] for row in found] == [
        [row["share_pct"], row["low_pct"], row["high_pct"]] for row in rows
    ]
    means = [row for row in entries_of(group, "practices_change") if row["mean_change"] != "–"]
    _, *found = behind(charts["How far faces moved, practice by practice"])
    assert [[signed(value, digits=2) for value in row[1:4]] for row in found] == [
        [row["mean_change"], row["low"], row["high"]] for row in means
    ]
    sizes = {(row["counted"], row["share_pct"]) for row in entries_of(group, "practices_by_size")}
    points = {
        (f"{n:.0f}", f"{value:.1f}%") for n, value, *_ in behind(charts["Practices by their size"]) if is_point(n)
    }
    assert sizes <= points


def is_point(value: object) -> bool:
    return isinstance(value, (int, float))


def test_exact_figures_stand_in_the_notes(made: Made) -> None:
    notes = notes_of(made.slides)
    names = ("appliance_category", "age_band", "extraction", "missing", "stages", "threshold", "definitions")
    tables = [table for table in made.document.tables if table.name in names]
    assert len(tables) == len(names)
    for table in tables:
        for row in on_page(table)[1:]:
            assert all(cell in notes for cell in row)
            assert f"{row[0]}: " in notes


def test_the_practice_reads_what_its_screens_say(whole: Made, small_groups: Path) -> None:
    with Reader.open(small_groups) as reader:
        overall = rates(reader, selection=Selection())
        by = rates(reader, by="appliance_category", selection=Selection())
    (group,) = overall.groups
    assert whole.document.answer == wording.headline(overall)
    assert whole.document.lead[:5] == (
        wording.first_line(group),
        " ".join(wording.beside_sentences(group)),
        wording.benchmark_sentence(group),
        wording.bounds_sentence(group),
        wording.flow_sentence(overall.flow),
    )
    (table,) = (table for table in whole.document.tables if table.name == "appliance_category")
    keys = [column.key for column in table.columns]
    shown = [{key: entry.text for key, entry in zip(keys, row, strict=True)} for row in table.rows]
    assert [
        (row["group"], row["started"], row["counted"], row["adverse"], row["share_pct"], row["interval"])
        for row in shown
    ] == [
        (
            one.label,
            str(one.started.n),
            str(one.counted.n),
            str(one.adverse.n),
            percent(one.rate.value),
            percent_range(one.rate.interval),
        )
        for one in by.groups
    ]


def test_what_may_be_shown_is_the_same_for_both_audiences(whole: Made, outside: Made) -> None:
    assert outside.document.answer == whole.document.answer
    mine, theirs = (
        {
            row[0].text: [entry.text for entry in row]
            for row in made.document.section("appliance_category").tables[0].rows
        }
        for made in (whole, outside)
    )
    assert theirs["fixed_labial"] == ["fixed_labial", "60", "10", "16.7%", "9.3% to 28.0%", "9.3%", "28.0%"]
    assert [cell for cell in theirs["fixed_labial"] if cell in mine["fixed_labial"]] == theirs["fixed_labial"]


def test_small_panels_are_of_the_very_cases_of_the_means(group: Made, practices: Path) -> None:
    beside = group.found.beside
    assert beside is not None
    assert beside.means is not None
    assert beside.courses is not None
    whole, *lines = beside.courses.rows
    assert [(one.name, one.n) for one in lines] == [(one.label, one.n) for one in beside.means.lines]
    by_size = sorted(PRACTICES.items(), key=lambda one: -one[1][0])
    for line, (name, (n, n_adverse)) in zip(lines, by_size, strict=False):
        finishes = [row["sn_gogn_deg_finish"] for row in of_practice(name, n, n_adverse)]
        assert line.n == n
        assert line.start == 32.0  # every case of these begins there
        assert line.finish == pytest.approx(sum(finishes) / n)
    assert sum(one.n for one in lines) < whole.n  # the small ones are among all together alone
    section = group.document.section("practice_courses")
    assert section.picture is not None
    assert section.picture.figure.frame["short"].unique(maintain_order=True).to_list()[:2] == ["all|195", "1|48"]


def test_a_case_of_another_measure_takes_the_panels_away(tmp_path: Path) -> None:
    """The mean of the rest and that of all would tell of the one case."""
    for name, (n, n_adverse) in PRACTICES.items():
        rows = of_practice(name, n, n_adverse)
        if name == "QUARRY":
            for time in ("start", "finish"):
                rows[-1][f"sn_gome_deg_{time}"] = rows[-1].pop(f"sn_gogn_deg_{time}")
        load_rows(tmp_path / "cases", rows, practice=name, source=f"{name}.csv")
    with Reader.open(tmp_path / "cases") as reader:
        here = practices_here(reader)
    assert here.means is not None
    assert here.courses is None
