"""Reading files as they come: text of any delimiter, workbooks, Parquet and JSON records, into raw tables.

Nothing is interpreted here. What had to be found out (encoding, delimiter, decimal mark, header row, rows left out) is
kept as assumptions on each table, so that it can be printed and stored with the load.
"""
