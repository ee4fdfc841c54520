"""The rules every row must hold, judged by Great Expectations, and what becomes of the rows that do not."""
