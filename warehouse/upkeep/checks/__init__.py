"""Checks of a warehouse: each file is a query that gives no row where all is well."""
