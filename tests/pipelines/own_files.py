"""Ten kinds of files as practices keep them, made anew with invented cases whose truth is known.

Each comes with what a user must still say after the draft: at most six things. Wording and layouts are of this file's
own making; no case and no practice is real.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import polars as pl

Correction = tuple[str, str, str]
"""Section of the mapping file, key, value."""

SELECTION: Correction = ("constants", "selection", "consecutive")
COMPARISON: Correction = ("constants", "comparison", "treated")


@dataclass(frozen=True, slots=True)
class Person:
    """One invented case."""

    number: str
    sex: str
    birth: date
    start: date
    finish: date | None
    appliance: str
    teeth: str
    plane: tuple[float, float]
    anb: tuple[float, float]

    @property
    def age(self) -> float:
        """Age at start, in years."""
        return (self.start - self.birth).days / 365.25


@dataclass(frozen=True, slots=True)
class OwnFile:
    """A file or several, the corrections after the draft, and how appliances and teeth of the truth come out of it."""

    paths: tuple[Path, ...]
    people: tuple[Person, ...]
    corrections: tuple[Correction, ...]
    months_known: bool = True
    readings: tuple[str, ...] = ("sn_gogn_deg", "anb_deg")
    teeth: Callable[[str], str | None] = field(default=lambda teeth: teeth)
    sequences: bool = False


APPLIANCES = ("fixed_labial", "functional_removable", "expander_tooth_borne", "headgear_cervical", "clear_aligner")
TEETH = ("none", "14 24", "14 24 34 44")


def people(seed: int, *, n: int = 30) -> tuple[Person, ...]:
    """Invented cases; about one in five is not finished."""
    draw = random.Random(seed)
    made = []
    for place in range(n):
        start = date(2012, 1, 3) + timedelta(days=draw.randrange(1500))
        plane = round(draw.uniform(26, 42), 1)
        made.append(
            Person(
                number=f"{seed}{place + 101}",
                sex=draw.choice(("male", "female")),
                birth=start - timedelta(days=draw.randrange(9 * 365, 14 * 365)),
                start=start,
                finish=start + timedelta(days=draw.randrange(500, 900)) if draw.random() < 0.8 else None,
                appliance=draw.choice(APPLIANCES),
                teeth=draw.choice(TEETH),
                plane=(plane, round(plane + draw.uniform(-2, 4), 1)),
                anb=(round(draw.uniform(1, 7), 1), round(draw.uniform(0, 5), 1)),
            )
        )
    return tuple(made)


def _comma(number: float) -> str:
    return f"{number:.1f}".replace(".", ",")


def _at_finish(one: Person, text: str) -> str:
    return text if one.finish else ""


def _csv(path: Path, rows: Sequence[Sequence[str]], *, mark: str = ";", encoding: str = "utf-8") -> tuple[Path, ...]:
    path.write_bytes("\n".join(mark.join(row) for row in rows).encode(encoding))
    return (path,)


def german(folder: Path, seed: int = 1) -> OwnFile:
    """Text of an older program: cp1252, semicolons, decimal commas, days first."""
    words = dict(zip(APPLIANCES, ("Multibracket", "Aktivator", "GNE", "Headgear", "Aligner"), strict=True))
    head = ["Fallnr", "Geschl.", "Geb. am", "Beginn", "Abschlussdatum", "Apparatur", "Ex", "SN-GoGn Anf.", "ANB Anf."]
    rows = [[*head, "SN-GoGn Ende", "ANB Ende"]]
    for one in people(seed):
        dates = [f"{day:%d.%m.%Y}" if day else "" for day in (one.birth, one.start, one.finish)]
        values = [_comma(one.plane[0]), _comma(one.anb[0])]
        values += [_at_finish(one, _comma(one.plane[1])), _at_finish(one, _comma(one.anb[1]))]
        teeth = {"none": "keine"}.get(one.teeth, one.teeth.replace(" ", ", "))
        rows.append([one.number, one.sex[0].replace("f", "w"), *dates, words[one.appliance], teeth, *values])
    corrections = (
        SELECTION,
        COMPARISON,
        ("constants", "status", "by finish"),
        ("codes.appliance_category", "headgear", "headgear_cervical"),
    )
    return OwnFile(_csv(folder / "kfo-liste.csv", rows, encoding="cp1252"), people(seed), corrections)


def merged_workbook(folder: Path) -> OwnFile:
    """A workbook with merged headings over two rows, a total below, and month names in its dates."""
    words = dict(zip(APPLIANCES, ("Braces", "Twin block", "RPE", "Cervical headgear", "Aligners"), strict=True))
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Case ref", "M/F", "DOB", "Appliance", "XLA", "Before", None, None, "After", None, None])
    sheet.append([None, None, None, None, None, "Date", "SN-GoGn", "ANB", "Date", "SN-GoGn", "ANB"])
    for one in people(2):
        days = [f"{day.day}-{day:%b-%Y}" if day else None for day in (one.birth, one.start, one.finish)]
        finish = [days[2], one.plane[1], one.anb[1]] if one.finish else [None, None, None]
        teeth = "no" if one.teeth == "none" else "yes"
        said = [one.number, one.sex[0].upper(), days[0], words[one.appliance], teeth]
        sheet.append([*said, days[1], one.plane[0], one.anb[0], *finish])
    sheet.append(["Total", len(people(2))])
    for area in ("F1:H1", "I1:K1"):
        sheet.merge_cells(area)
    book.save(folder / "our cases.xlsx")
    corrections = (SELECTION, COMPARISON, ("constants", "status", "by finish"))
    return OwnFile(
        (folder / "our cases.xlsx",),
        people(2),
        corrections,
        teeth=lambda teeth: teeth if teeth == "none" else "pattern not known",
    )


def long_export(folder: Path) -> OwnFile:
    """French, one row a measurement, with what is said of the case in every row, and one row twice."""
    words = dict(
        zip(APPLIANCES, ("multi-attache", "activateur", "disjoncteur", "FEO cervicale", "aligneurs"), strict=True)
    )
    rows = [["N° dossier", "Sexe", "Âge au début", "Appareil", "Statut", "Moment", "Paramètre", "Résultat"]]
    for one in people(3):
        said = [one.number, {"male": "M", "female": "F"}[one.sex], _comma(one.age), words[one.appliance]]
        said.append("terminé" if one.finish else "en cours")
        for place, time in enumerate(("début", "fin")):
            if place == 0 or one.finish:
                rows += [
                    [*said, time, "SN-GoGn", _comma(one.plane[place])],
                    [*said, time, "ANB", _comma(one.anb[place])],
                ]
                rows += [[*said, time, "Couleur", "3"]]
    rows.append(rows[1])
    corrections = (SELECTION, COMPARISON, ("codes.measure", "couleur", ""))
    made = _csv(folder / "export.csv", rows)
    return OwnFile(made, people(3), corrections, months_known=False, teeth=lambda _: None)


def visits(folder: Path) -> OwnFile:
    """One row a visit, as Parquet, with the age at each."""
    words = dict(zip(APPLIANCES, ("fixed", "bionator", "RME", "HG", "clear aligner"), strict=True))
    rows = []
    for one in people(4):
        for place, day in enumerate((one.start, one.finish)):
            if day:
                aged = (day - one.birth).days / 365.25
                rows.append(
                    {
                        "Pt no": one.number,
                        "Sex": {"male": 1, "female": 2}[one.sex],
                        "Visit": ("pre", "post")[place],
                        "Age": round(aged, 3),
                        "Appliance": words[one.appliance],
                        "SN-GoGn": one.plane[place],
                        "ANB": one.anb[place],
                    }
                )
    pl.DataFrame(rows).write_parquet(folder / "visits.parquet")
    corrections = (
        SELECTION,
        COMPARISON,
        ("constants", "status", "by finish"),
        ("codes.appliance_category", "hg", "headgear_cervical"),
    )
    return OwnFile((folder / "visits.parquet",), people(4), corrections, teeth=lambda _: None)


def italian(folder: Path) -> OwnFile:
    """Italian headings and words, decimal commas, units behind numbers in either mark."""
    words = dict(
        zip(APPLIANCES, ("apparecchio fisso", "attivatore", "ERP", "trazione cervicale", "allineatori"), strict=True)
    )
    head = ["N. caso", "Sesso", "Data di nascita", "Data inizio", "Data fine", "Apparecchio", "Estrazioni", "Stato"]
    rows = [[*head, "SN-GoGn iniziale", "ANB iniziale", "SN-GoGn finale", "ANB finale"]]
    for place, one in enumerate(people(5)):
        dates = [f"{day:%d/%m/%Y}" if day else "" for day in (one.birth, one.start, one.finish)]
        plane = f"{one.plane[0]}°" if place % 2 else f"{_comma(one.plane[0])} °"
        values = [plane, _comma(one.anb[0]), _at_finish(one, _comma(one.plane[1])), _at_finish(one, _comma(one.anb[1]))]
        said = ["nessuna" if one.teeth == "none" else one.teeth, "finito" if one.finish else "in corso"]
        sex = {"male": "maschio", "female": "femmina"}[one.sex]
        rows.append([one.number, sex, *dates, words[one.appliance], *said, *values])
    corrections = (SELECTION, COMPARISON, ("codes.extracted_teeth", "nessuna", "none"))
    return OwnFile(_csv(folder / "elenco.csv", rows), people(5), corrections)


def spanish(folder: Path) -> OwnFile:
    """Spanish, sex as H and M, which mean man and woman only beside each other; spreadsheet days for dates."""
    words = dict(
        zip(APPLIANCES, ("brackets", "activador", "disyuntor", "tracción cervical", "alineadores"), strict=True)
    )
    head = [
        "N° caso",
        "Sexo",
        "Fecha de nacimiento",
        "Fecha de inicio",
        "Fecha fin",
        "Aparato",
        "Extracciones",
        "Estado",
    ]
    rows = [[*head, "SN-GoGn inicial", "ANB inicial", "SN-GoGn final", "ANB final"]]
    for one in people(6):
        dates = [str((day - date(1899, 12, 30)).days) if day else "" for day in (one.birth, one.start, one.finish)]
        values = [_comma(one.plane[0]), _comma(one.anb[0])]
        values += [_at_finish(one, _comma(one.plane[1])), _at_finish(one, _comma(one.anb[1]))]
        said = ["sin extracciones" if one.teeth == "none" else "sí", "terminado" if one.finish else "en tratamiento"]
        rows.append([one.number, {"male": "H", "female": "M"}[one.sex], *dates, words[one.appliance], *said, *values])
    return OwnFile(
        _csv(folder / "casos.csv", rows),
        people(6),
        (SELECTION, COMPARISON),
        teeth=lambda teeth: teeth if teeth == "none" else "pattern not known",
    )


def names_and_notes(folder: Path) -> OwnFile:
    """Full of what must not get in: names, addresses, telephone numbers, notes."""
    words = dict(zip(APPLIANCES, ("brackets", "monobloc", "rapid expander", "neck strap", "aligner"), strict=True))
    head = ["Ref", "First name", "Surname", "Phone", "Gender", "Age at start", "Months", "Appliance", "Notes", "Status"]
    rows = [[*head, "SN-GoGn T1", "ANB T1", "SN-GoGn T2", "ANB T2"]]
    for one in people(7):
        months = f"{((one.finish or one.start) - one.start).days / 30.4375:.1f}" if one.finish else ""
        values = [str(one.plane[0]), str(one.anb[0])]
        values += [_at_finish(one, str(one.plane[1])), _at_finish(one, str(one.anb[1]))]
        persons = ["Ottilie", "Quarrington", "01632 960 001", one.sex, f"{one.age:.2f}", months]
        status = "debonded" if one.finish else "ongoing"
        rows.append(
            [one.number, *persons, words[one.appliance], "came late to the second visit again", status, *values]
        )
    corrections = (SELECTION, COMPARISON, ("columns", "Months", "months_from_start_finish"))
    made = _csv(folder / "register.csv", rows, mark=",")
    return OwnFile(made, people(7), corrections, teeth=lambda _: None)


def other_notations(folder: Path) -> OwnFile:
    """Teeth counted from 1 to 32, ages in years and months, in an OpenDocument sheet."""
    words = dict(zip(APPLIANCES, ("edgewise", "activator", "haas expander", "EOT", "aligners"), strict=True))
    universal = {"none": "none", "14 24": "#5 #12", "14 24 34 44": "#5 #12 #21 #28"}
    head = ["Patient number", "Sex", "Age", "Appliance", "Extractions", "Status", "SN-GoGn T1", "ANB T1"]
    rows: list[list[object]] = [[*head, "SN-GoGn T2", "ANB T2"]]
    for one in people(8):
        months = round(one.age * 12)
        finish = [one.plane[1], one.anb[1]] if one.finish else [None, None]
        said = [words[one.appliance], universal[one.teeth], "completed" if one.finish else "active"]
        rows.append(
            [one.number, one.sex[0], f"{months // 12}y {months % 12}m", *said, one.plane[0], one.anb[0], *finish]
        )
    write_ods(folder / "sheet.ods", {"Sheet1": rows})
    corrections = (SELECTION, COMPARISON, ("codes.appliance_category", "eot", "headgear_cervical"))
    return OwnFile((folder / "sheet.ods",), people(8), corrections, months_known=False)


def sheets_together(folder: Path) -> OwnFile:
    """Three sheets that belong together; two appliances in one cell, one after the other."""
    words = dict(
        zip(APPLIANCES, ("RPE then braces", "activator then braces", "RPE", "braces", "aligners"), strict=True)
    )
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.title = "People"
    first.append(["Case no", "Gender", "Age at start", "Appliance", "Status"])
    before, after = book.create_sheet("Before"), book.create_sheet("After")
    for sheet in (before, after):
        sheet.append(["No", "SN-GoGn", "ANB"])
    for one in people(9):
        said = [words[one.appliance], "finished" if one.finish else "active"]
        first.append([one.number, one.sex[0], round(one.age, 2), *said])
        before.append([one.number, one.plane[0], one.anb[0]])
        if one.finish:
            after.append([one.number, one.plane[1], one.anb[1]])
    book.save(folder / "together.xlsx")
    made = (folder / "together.xlsx",)
    return OwnFile(made, people(9), (SELECTION, COMPARISON), months_known=False, teeth=lambda _: None, sequences=True)


def mistakes(folder: Path) -> OwnFile:
    """A row given twice over, a value out of reach, a spelling nobody knows: the rest gets in."""
    made = names_and_notes(folder)
    lines = made.paths[0].read_text(encoding="utf-8").splitlines()
    broken = people(7)[3]
    lines[4] = lines[4].replace(f",{broken.plane[0]},", ",340,")
    (folder / "mistakes.csv").write_text("\n".join([*lines, lines[1]]), encoding="utf-8")
    left = tuple(one for one in people(7) if one is not broken and one.number != broken.number)
    return OwnFile((folder / "mistakes.csv",), left, made.corrections, teeth=made.teeth)


KINDS: tuple[Callable[[Path], OwnFile], ...] = (
    german,
    merged_workbook,
    long_export,
    visits,
    italian,
    spanish,
    names_and_notes,
    other_notations,
    sheets_together,
    mistakes,
)

SEQUENCES = {
    "fixed_labial": "expander_tooth_borne > fixed_labial",
    "functional_removable": "functional_removable > fixed_labial",
    "expander_tooth_borne": "expander_tooth_borne",
    "headgear_cervical": "fixed_labial",
    "clear_aligner": "clear_aligner",
}
"""What the cells of ``sheets_together`` say, for each appliance of the truth."""


def write_ods(path: Path, sheets: dict[str, list[list[object]]]) -> None:
    """A small OpenDocument spreadsheet, written by its published schema (OpenDocument 1.2, part 1, 9.1)."""
    import zipfile
    from xml.sax.saxutils import escape

    def cell(value: object) -> str:
        if value is None:
            return "<table:table-cell/>"
        kind = f'"float" office:value="{value}"' if isinstance(value, int | float) else '"string"'
        return f"<table:table-cell office:value-type={kind}><text:p>{escape(str(value))}</text:p></table:table-cell>"

    spaces = "urn:oasis:names:tc:opendocument:xmlns"
    tables = "".join(
        f'<table:table table:name="{name}">'
        + "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content xmlns:office="{spaces}:office:1.0" '
        f'xmlns:table="{spaces}:table:1.0" xmlns:text="{spaces}:text:1.0" office:version="1.2"><office:body>'
        f"<office:spreadsheet>{tables}</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        f'<?xml version="1.0" encoding="UTF-8"?><manifest:manifest xmlns:manifest="{spaces}:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("mimetype", kind, zipfile.ZIP_STORED)
        packed.writestr("content.xml", content)
        packed.writestr("META-INF/manifest.xml", manifest)
