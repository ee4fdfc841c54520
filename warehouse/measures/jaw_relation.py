"""The Eastman correction of ANB for an upper jaw that is itself set forward or back."""

from __future__ import annotations

from typing import TypeAlias

import polars as pl

Column: TypeAlias = pl.Expr | str

STANDARD_SNA_DEG = 81.0
#: Palatal plane to cranial base within which the correction is meant to hold: 8 +- 3 degrees (from memory).
VALID_SN_PP_DEG = (5.0, 11.0)


def _number(column: Column) -> pl.Expr:
    return (pl.col(column) if isinstance(column, str) else column).cast(pl.Float64)


def eastman_corrected_anb(sna_deg: Column, anb_deg: Column, *, sn_pp_deg: Column | None = None) -> pl.Expr:
    """ANB + 0.5 x (81 - SNA), in degrees (Mills 1982, read in a weak secondary source).

    Args:
        sna_deg: SNA.
        anb_deg: ANB.
        sn_pp_deg: Palatal plane to cranial base; where it lies outside 5 to 11 degrees or is missing the
            correction is not valid and the result null. Without the column the bound is not checked.
    """
    corrected = _number(anb_deg) + 0.5 * (STANDARD_SNA_DEG - _number(sna_deg))
    if sn_pp_deg is None:
        return corrected
    return pl.when(_number(sn_pp_deg).is_between(*VALID_SN_PP_DEG)).then(corrected)
