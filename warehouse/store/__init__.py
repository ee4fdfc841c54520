"""The files of a warehouse: DuckDB, its schema, snapshots, and the record of who opened it."""
