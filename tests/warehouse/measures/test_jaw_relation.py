"""The Eastman correction on the two textbook cases."""

from __future__ import annotations

import polars as pl

from warehouse.measures.jaw_relation import eastman_corrected_anb

CASES = pl.DataFrame({"sna": [77.0, 85.0, None], "anb": [3.0, 5.0, 3.0], "sn_pp": [8.0, 12.0, 8.0]})


def test_half_of_what_the_upper_jaw_lacks_is_added() -> None:
    # rule read in a weak secondary source citing Mills 1982: SNA 77, ANB 3 -> 5.0; SNA 85, ANB 5 -> 3.0
    assert CASES.select(eastman_corrected_anb("sna", "anb")).to_series().to_list() == [5.0, 3.0, None]


def test_outside_its_bound_the_correction_is_not_given() -> None:
    bounded = eastman_corrected_anb("sna", "anb", sn_pp_deg="sn_pp")
    assert CASES.select(bounded).to_series().to_list() == [5.0, None, None]
    assert CASES.with_columns(sn_pp=None).select(bounded).to_series().to_list() == [None, None, None]
