"""``menton records``: the records of a warehouse as a folder of Parquet tables."""

import argparse

from pipelines.commands.options import encryption_key, print_table, say, storing
from warehouse.engine.layout import layout, schema_number, write_records
from warehouse.errors import RequestError


def run(args: argparse.Namespace) -> None:
    if args.layout:
        _print_layout()
        return
    if args.out is None:
        found = "there is no folder to write the records to"
        raise RequestError(found, remedy="name a new folder with --out, or ask for --layout")
    if encryption_key(args) is not None and not args.unencrypted:
        found = "the warehouse is encrypted, and the records would be plain Parquet"
        raise RequestError(found, remedy="say --unencrypted where they are kept as safely as the warehouse")
    with storing(args) as store:
        counts = write_records(store, args.out)
    print_table("", ["table", "rows"], [[table, str(n)] for table, n in counts.items()], right=[1])
    say(f"The records are written to {args.out}. Build from them with: menton build --records {args.out} --out FOLDER")


def _print_layout() -> None:
    say(f"Schema {schema_number()}: each table is a file or a folder of Parquet, TABLE.parquet.")
    for table, columns in layout().items():
        rows = [[column.name, column.type, "yes" if column.is_required else ""] for column in columns]
        print_table(table, ["column", "type", "never empty"], rows)
    say(
        "readings has a DOUBLE column in addition for each measure that was read, called by its code (menton measures)."
    )
    say("migrations says the schema: its largest number. registrations may be without rows; rows of it are the users'")
    say("own definitions, measures, growth references, plans and settings. A missing value is null, never NaN.")
