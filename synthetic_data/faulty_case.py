"""One invented case to plant a fault in, as rows of the contract's tables in text, as a file would hold them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

Row: TypeAlias = dict[str, str | None]

VALUES = {
    "start": {"sna_deg": "82", "snb_deg": "79", "anb_deg": "3", "sn_gogn_deg": "32"},
    "finish": {"sna_deg": "81.6", "snb_deg": "78.9", "anb_deg": "2.7", "sn_gogn_deg": "31.6"},
}
POINTS = {
    "S": ("0", "0"),
    "N": ("70", "8"),
    "Me": ("46", "-106"),
    "N'": ("76", "6"),
    "Prn": ("95", "-40"),
    "Sn": ("80", "-52"),
    "Gn'": ("50", "-112"),
}
"""A face that looks right, in millimetres, y upwards; invented."""


class Spot(NamedTuple):
    """Where a fault was planted: contract table, the row, the column."""

    table: str
    row: Row
    column: str


@dataclass(slots=True)
class FaultyCase:
    """A case that is right in everything until a fault is planted in it."""

    case_id: str  # Its number in the file
    # Table -> its rows. `singles` are values that stand in a file of single values beside a file of one row a
    # case.
    rows: dict[str, list[Row]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        case: Row = {"case_id": self.case_id, "sex": "female", "age_at_start": "12.5", "start_quarter": "2018-Q2"}
        case |= {"selection": "consecutive", "status": "finished", "comparison": "treated"}
        phase: Row = {"case_id": self.case_id, "phase_no": "1", "appliance_category": "fixed_labial"}
        phase |= {"months_from_start": "0", "months_duration": "24"}
        self.rows = {
            "cases": [case],
            "phases": [phase],
            "visits": [],
            "measurements": [],
            "landmarks": [],
            "singles": [],
        }
        self.add_visit("start", "0")
        self.add_visit("finish", "25")
        for timepoint, values in VALUES.items():
            self.read(timepoint, **values)

    @property
    def case(self) -> Row:
        """The row of the case itself."""
        return self.rows["cases"][0]

    @property
    def phase(self) -> Row:
        """The first phase."""
        return self.rows["phases"][0]

    def add_visit(self, timepoint: str, months: str) -> Row:
        """A further visit."""
        visit: Row = {"case_id": self.case_id, "timepoint": timepoint, "months_from_start": months}
        self.rows["visits"].append(visit)
        return visit

    def visit(self, timepoint: str) -> Row:
        """The visit at one time."""
        return next(visit for visit in self.rows["visits"] if visit["timepoint"] == timepoint)

    def add_phase(self, number: str, begin: str, months: str) -> Row:
        """A further phase."""
        phase: Row = {"case_id": self.case_id, "phase_no": number, "appliance_category": "clear_aligner"}
        phase |= {"months_from_start": begin, "months_duration": months}
        self.rows["phases"].append(phase)
        return phase

    def read(self, timepoint: str, *, repeat_no: str = "1", **values: str) -> Row:
        """Values of a reading, added or replaced; gives the row of the last."""
        row: Row = {}
        for measure, value in values.items():
            row = self._value(timepoint, repeat_no, measure)
            row["value"] = value
        return row

    def _value(self, timepoint: str, repeat_no: str, measure: str) -> Row:
        key: Row = {"case_id": self.case_id, "timepoint": timepoint, "measure": measure, "repeat_no": repeat_no}
        for row in self.rows["measurements"]:
            if key.items() <= row.items():
                return row
        self.rows["measurements"].append(key)
        return key

    def trace(self) -> list[Row]:
        """The points of a lateral radiograph at start, as rows."""
        words: Row = {"view": "lateral_radiograph", "unit": "mm", "y_axis": "up", "faces": "right"}
        words |= {"case_id": self.case_id, "timepoint": "start"}
        self.rows["landmarks"] = [words | {"landmark": code, "x": x, "y": y} for code, (x, y) in POINTS.items()]
        return self.rows["landmarks"]

    def point(self, code: str) -> Row:
        """One of the points."""
        return next(row for row in self.rows["landmarks"] if row["landmark"] == code)

    def untold(self, timepoint: str) -> None:
        """Take out everything known of one time."""
        for table in ("visits", "measurements"):
            self.rows[table] = [row for row in self.rows[table] if row["timepoint"] != timepoint]


def wide_name(table: str, row: Row, column: str) -> str:
    """The column of a file of one row a case that holds a cell of a contract table."""
    if table == "phases":
        return f"phase_{row['phase_no']}_{column}"
    if table == "visits":
        return f"{'' if column == 'date' else column + '_'}{row['timepoint']}{'_date' if column == 'date' else ''}"
    if table == "measurements":
        again = "" if row["repeat_no"] == "1" else f"_repeat{row['repeat_no']}"
        return f"{row['measure']}_{row['timepoint']}{again}"
    return column


OF_THE_NAME = {
    "phases": ("case_id", "phase_no"),
    "visits": ("case_id", "timepoint"),
    "measurements": ("case_id", "timepoint", "measure", "repeat_no"),
}
"""Columns that a wide file tells by the name of another column."""


def wide_rows(case: FaultyCase) -> list[Row]:
    """The case as rows of a file of one row a case: one, or one for each row it has in ``cases``."""
    cells: Row = {}
    for table, told in OF_THE_NAME.items():
        for row in case.rows[table]:
            cells |= {wide_name(table, row, name): value for name, value in row.items() if name not in told}
    return [one | cells for one in case.rows["cases"]]
