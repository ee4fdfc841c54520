"""Teeth against face in the cases selected, for a screen: the four corners, or None where teeth were never scored."""

from __future__ import annotations

from typing import TYPE_CHECKING

from warehouse.questions import teeth_and_face as corners

if TYPE_CHECKING:
    from warehouse.analysis.corners import FourCorners
    from warehouse.marts.reader import Reader
    from warehouse.selection import Selection


def corners_of_cases(reader: Reader, *, selection: Selection, definition: str | None = None) -> FourCorners | None:
    """The four corners by the rule of ``warehouse.questions.teeth_and_face``; None where the score was never read."""
    if corners.PAR not in reader.connection.columns("mart_timeline"):
        return None
    return corners.corners_of_cases(reader, selection=selection, definition=definition).corners
