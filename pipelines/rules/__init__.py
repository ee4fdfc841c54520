"""The rules a delivery is held against, as data, and the checks they name."""
