"""Cells of a file turned into values of the contract, a column at a time, with a reason for every cell that is not."""
