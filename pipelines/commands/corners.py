"""``menton corners``: teeth improved or not against face adverse or not."""

import argparse

from pipelines.commands.options import print_table, question_from, reading, say, say_answer, say_end, say_head, say_list
from warehouse.analysis.corners import FourCorners
from warehouse.questions.teeth_and_face import CornersResult, teeth_and_face
from warehouse.words.changes import corners_sentences
from warehouse.words.numbers import counted, percent_range


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        result = teeth_and_face(reader, question_from(args))
    say_answer(args, result, _print, sentences=corners_sentences(result))


def _print(result: CornersResult) -> None:
    say_head("Teeth and face: the four corners", result)
    say(f"  {result.improved_means}")
    corners = result.corners
    rows = [
        ["teeth improved", str(corners.better_adverse), str(corners.better_not_adverse)],
        ["teeth not improved", str(corners.not_better_adverse), str(corners.not_better_not_adverse)],
    ]
    print_table("", ["", "face adverse", "face not adverse"], rows, right=range(1, 3))
    say_list(corners_sentences(result))
    if result.by is not None:
        columns = ["group", "both judged", "teeth better, face adverse", "interval", "face adverse among improved"]
        print_table("", columns, [_row(one.label, one.corners) for one in result.groups], right=range(1, 5))
    say_end()


def _row(label: str, corners: FourCorners) -> list[str]:
    known = corners.among_all
    if known.value is None:
        return [label, "0", "none", "—", "—"]
    improved = corners.among_improved
    return [
        label,
        f"{known.n:,}",
        counted(corners.better_adverse, known.n),
        percent_range(known.interval),
        counted(corners.better_adverse, improved.n),
    ]
