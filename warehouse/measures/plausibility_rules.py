"""The rules between measures of one tracing: exact identities, and values that betray swapped points.

The identities hold for every face whatever its shape; a break means that a point, a sign or a column is wrong. Each
rule is data: an id that is never reused, a sentence, the measures it needs, how far the values are from holding,
and changes that would make them hold again, each naming the likely cause.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from warehouse.measures.occlusal_and_photo_measures import PAR_WEIGHTS

#: Values read to the nearest degree are off by up to half a degree each, and so may be their sum.
TOLERANCE_PER_VALUE = 0.5
_SHARE_TOLERANCE = 1.0


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely cause: if ``difference`` is within tolerance, or ``holds`` is true, this is what went wrong."""

    text: str  # The cause in words
    codes: tuple[str, ...] = ()  # Further measures the test of this cause needs
    difference: pl.Expr | None = None  # What the rule's difference would be after putting it right
    holds: pl.Expr | None = None  # A condition, where no difference can be given


@dataclass(frozen=True, slots=True, kw_only=True)
class PlausibilityRule:
    """One check between measures."""

    id: str  # Never changes and is never reused
    sentence: str  # What must be so, in plain words
    codes: tuple[str, ...]  # The measures needed; where one is null the rule does not apply
    otherwise: str  # The cause named when none fits
    difference: pl.Expr | None = None  # For an identity: 0 when it holds. In the measures' unit.
    values: int = 0  # Number of values read that enter the identity; the tolerance is this times the tolerance a value
    tolerance: float | None = None  # A fixed tolerance instead
    broken: pl.Expr | None = None  # For a rule that is no identity: true where it is broken
    causes: tuple[Cause, ...] = ()  # Likely causes, the first that fits is named


def _c(code: str) -> pl.Expr:
    return pl.col(code)


_MP, _MP_GN = _c("sn_gome_deg"), _c("sn_gogn_deg")
_PP, _MM = _c("sn_pp_deg"), _c("mmpa_deg")
_U1, _II, _L1 = _c("u1_sn_deg"), _c("interincisal_deg"), _c("impa_deg")
_SNA, _SNB, _ANB = _c("sna_deg"), _c("snb_deg"), _c("anb_deg")

IDENTITIES = (
    PlausibilityRule(
        id="M-I1",
        sentence="SN-GoMe equals SN-PP plus MMPA.",
        codes=("sn_gome_deg", "sn_pp_deg", "mmpa_deg"),
        difference=_MP - _PP - _MM,
        values=3,
        causes=(
            Cause("the sign of SN-PP was lost", difference=_MP + _PP - _MM),
            Cause("MMPA was measured to gnathion", ("sn_gogn_deg",), difference=_MP_GN - _PP - _MM),
        ),
        otherwise="ANS, PNS, Go or Me misplaced at one of the angles",
    ),
    PlausibilityRule(
        id="M-I2",
        sentence="The Björk sum less 360 equals SN-GoMe.",
        codes=("bjork_sum_deg", "sn_gome_deg"),
        difference=_c("bjork_sum_deg") - 360.0 - _MP,
        values=4,
        causes=(
            Cause(
                "the gonial angle was measured to gnathion",
                ("sn_gogn_deg",),
                difference=_c("bjork_sum_deg") - 360.0 - _MP_GN,
            ),
        ),
        otherwise="Ar, Go or Me misplaced at one of the angles",
    ),
    PlausibilityRule(
        id="M-I3",
        sentence="SN-GoMe, U1-SN, the interincisal angle and IMPA add up to 360.",
        codes=("sn_gome_deg", "u1_sn_deg", "interincisal_deg", "impa_deg"),
        difference=_MP + _U1 + _II + _L1 - 360.0,
        values=4,
        causes=(
            Cause("U1T and U1A look swapped", difference=_MP - _U1 - _II + _L1),
            Cause("L1T and L1A look swapped", difference=_MP + _U1 - _II - _L1),
            Cause("U1-SN was read on the other side of the tooth", difference=_MP - _U1 + _II + _L1 - 180.0),
            Cause("IMPA was read on the other side of the tooth", difference=_MP + _U1 + _II - _L1 - 180.0),
            Cause("IMPA was measured to gnathion", ("sn_gogn_deg",), difference=_MP_GN + _U1 + _II + _L1 - 360.0),
        ),
        otherwise="an incisor tip or apex, Go or Me misplaced at one of the angles",
    ),
    PlausibilityRule(
        id="M-I4",
        sentence="ANB equals SNA minus SNB.",
        codes=("anb_deg", "sna_deg", "snb_deg"),
        difference=_ANB - _SNA + _SNB,
        values=3,
        causes=(
            Cause(
                "A and B look swapped, SNA and SNB stand in each other's column, or the sign of ANB was lost",
                difference=_ANB + _SNA - _SNB,
            ),
        ),
        otherwise="A, B or N misplaced at one of the angles",
    ),
    PlausibilityRule(
        id="M-I5",
        sentence="The direct lower face share equals 100 times ANS-Me over N-Me.",
        codes=("lafh_direct_pct", "lafh_mm", "tafh_mm"),
        difference=_c("lafh_direct_pct") - 100.0 * _c("lafh_mm") / _c("tafh_mm"),
        tolerance=_SHARE_TOLERANCE,
        causes=(
            Cause(
                "the column holds the perpendicular share",
                ("lafh_perpendicular_pct",),
                difference=_c("lafh_direct_pct") - _c("lafh_perpendicular_pct"),
            ),
        ),
        otherwise="ANS, N or Me misplaced, or the two lengths of different enlargement",
    ),
    PlausibilityRule(
        id="M-I6",
        sentence="The face height ratio equals 100 times S-Go over N-Me.",
        codes=("jarabak_pct", "pfh_mm", "tafh_mm"),
        difference=_c("jarabak_pct") - 100.0 * _c("pfh_mm") / _c("tafh_mm"),
        tolerance=_SHARE_TOLERANCE,
        otherwise="S, Go, N or Me misplaced, or the two lengths of different enlargement",
    ),
)


def _par(weights: str) -> pl.Expr:
    return pl.sum_horizontal(_c(code) * weight for code, weight in PAR_WEIGHTS[weights].terms)


PAR_RULE = PlausibilityRule(
    id="M-I7",
    sentence="The weighted PAR score equals the weighted sum of its components (UK weights).",
    codes=("par_uk_points", *PAR_WEIGHTS["uk"].codes),
    difference=_c("par_uk_points") - _par("uk"),
    tolerance=1e-9,
    causes=(Cause("the total was made with the US weights", difference=_c("par_uk_points") - _par("us")),),
    otherwise="a component or the total is wrong",
)

ORDER_RULES = (
    PlausibilityRule(
        id="M-O1",
        sentence="SN-GoMe is not smaller than SN-GoGn.",
        codes=("sn_gogn_deg", "sn_gome_deg"),
        broken=_MP_GN > _MP + 2 * TOLERANCE_PER_VALUE,
        otherwise="Gn and Me look swapped, or the two values stand in each other's column",
    ),
    PlausibilityRule(
        id="M-O2",
        sentence="The lower face height is smaller than the total face height.",
        codes=("lafh_mm", "tafh_mm"),
        broken=_c("lafh_mm") >= _c("tafh_mm"),
        otherwise="N and ANS look swapped, or the two values stand in each other's column",
    ),
    PlausibilityRule(
        id="M-O3",
        sentence="SN-PP and MMPA lie between -90 and 90 degrees.",
        codes=("sn_pp_deg", "mmpa_deg"),
        broken=(_PP.abs() > 90.0) | (_MM.abs() > 90.0),
        causes=(
            Cause("PNS and ANS look swapped", holds=(_PP.abs() > 90.0) & (_MM.abs() > 90.0)),
            Cause("S and N look swapped", holds=_PP.abs() > 90.0),
        ),
        otherwise="Go and Me look swapped",
    ),
    PlausibilityRule(
        id="M-O4",
        sentence="FMA and SN-GoMe lie between -90 and 90 degrees.",
        codes=("fma_deg", "sn_gome_deg"),
        broken=(_c("fma_deg").abs() > 90.0) | (_MP.abs() > 90.0),
        causes=(
            Cause("Go and Me look swapped", holds=(_c("fma_deg").abs() > 90.0) & (_MP.abs() > 90.0)),
            Cause("Po and Or look swapped", holds=_c("fma_deg").abs() > 90.0),
        ),
        otherwise="S and N look swapped",
    ),
    PlausibilityRule(
        id="M-O5",
        sentence="The interincisal angle is not below 80 degrees.",
        codes=("interincisal_deg", "u1_sn_deg"),
        broken=_II < 80.0,
        causes=(Cause("U1T and U1A look swapped", holds=_U1 < 90.0),),
        otherwise="L1T and L1A look swapped",
    ),
    PlausibilityRule(
        id="M-O6",
        sentence="A lower jaw ahead of the upper (ANB and Wits below -1) has no overjet of 4 mm or more.",
        codes=("anb_deg", "wits_mm", "overjet_mm"),
        broken=(_ANB < -1.0) & (_c("wits_mm") < -1.0) & (_c("overjet_mm") >= 4.0),
        otherwise="A and B look swapped",
    ),
    PlausibilityRule(
        id="M-O7",
        sentence="An upper jaw well ahead (ANB of 4 or more) has no reverse overjet with an open bite.",
        codes=("anb_deg", "overjet_mm", "overbite_mm"),
        broken=(_ANB >= 4.0) & (_c("overjet_mm") <= -2.0) & (_c("overbite_mm") <= -1.0),
        otherwise="U1T and L1T look swapped",
    ),
)

PLAUSIBILITY_RULES = (*IDENTITIES, PAR_RULE, *ORDER_RULES)
