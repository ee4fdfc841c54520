"""Estimators: one family a file; arrays or frames in, frozen results out; no reading, no drawing."""
