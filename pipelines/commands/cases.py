"""``menton cases``: export the de-identified cases, so that anyone can recount."""

import argparse

from pipelines.commands.options import reading, say
from pipelines.template.tables_out import write_table
from warehouse.questions.case_export import case_frame


def run(args: argparse.Namespace) -> None:
    with reading(args) as reader:
        frame = case_frame(reader)
        build = reader.snapshot.build_id
    write_table(frame, args.out)
    say(f"{frame.height} cases of build {build} written to {args.out}")
    say("One row is one case. outcome_D1, step_D1 and value_D1 (and so on) hold each definition's result.")
    say("These are single cases: keep the file inside the practice; see `menton contribute` for pooling.")
