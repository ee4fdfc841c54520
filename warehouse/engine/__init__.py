"""Building the published tables elsewhere: from records in Parquet, with DuckDB or on a Spark cluster."""
