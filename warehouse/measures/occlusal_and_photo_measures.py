"""Catalogue entries for occlusal scores and for proportions read from photographs.

The PAR weights live here as data. "(from memory)" means that the value was recalled and not read in the work.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from warehouse.measures.formulae import LineThrough, Ratio, VertexAngle, WeightedTotal
from warehouse.measures.landmarks import FRONTAL, LATERAL, PROFILE
from warehouse.measures.measure import Measure, Norm

PAR_WEIGHTS: Mapping[str, WeightedTotal] = MappingProxyType(
    {
        # Richmond 1992, weights as given in teaching material on the index.
        "uk": WeightedTotal(
            (
                ("par_upper_anterior_points", 1.0),
                ("par_lower_anterior_points", 1.0),
                ("par_buccal_points", 1.0),
                ("par_overjet_score", 6.0),
                ("par_overbite_score", 2.0),
                ("par_centreline_score", 4.0),
            )
        ),
        # DeGuzman 1995 (from memory): the lower anterior segment carries no weight.
        "us": WeightedTotal(
            (
                ("par_upper_anterior_points", 1.0),
                ("par_lower_anterior_points", 0.0),
                ("par_buccal_points", 2.0),
                ("par_overjet_score", 5.0),
                ("par_overbite_score", 3.0),
                ("par_centreline_score", 3.0),
            )
        ),
    }
)

_PAR = "PAR index, Richmond 1992; scoring rules in part (from memory)"


def _component(code: str, label: str, definition: str, highest: float, usual: float) -> Measure:
    return Measure(
        code=code,
        label=label,
        definition=definition,
        unit="points",
        plausible=(0.0, highest),
        usual=(0.0, usual),
        up_means="further from a good occlusion",
        sign=0,
        family="occlusal",
        source=_PAR,
    )


OCCLUSAL_MEASURES = (
    Measure(
        code="par_uk_points",
        label="Weighted PAR score (UK weights)",
        definition="Weighted sum of the PAR components: anterior segments 1, buccal 1, overjet 6, overbite 2, "
        "centreline 4.",
        unit="points",
        formula=PAR_WEIGHTS["uk"],
        plausible=(0.0, 104.0),
        usual=(0.0, 65.0),
        up_means="further from a good occlusion",
        sign=0,
        family="occlusal",
        variants=("UK weights",),
        source=f"{_PAR}; the upper limit is the sum of the components' highest weighted scores (computed)",
    ),
    _component(
        "par_upper_anterior_points",
        "PAR upper front segment",
        "Sum of the five contact displacement scores, upper canine to canine.",
        25.0,
        18.0,
    ),
    _component(
        "par_lower_anterior_points",
        "PAR lower front segment",
        "Sum of the five contact displacement scores, lower canine to canine.",
        25.0,
        18.0,
    ),
    _component(
        "par_buccal_points",
        "PAR buccal occlusion",
        "Sum over both sides of the front-to-back (0-2), vertical (0-1) and transverse (0-4) scores.",
        14.0,
        10.0,
    ),
    _component(
        "par_overjet_score",
        "PAR overjet score",
        "Overjet or anterior crossbite, 0 to 4, before weighting.",
        4.0,
        4.0,
    ),
    _component(
        "par_overbite_score",
        "PAR overbite score",
        "Overbite or open bite, 0 to 4, before weighting.",
        4.0,
        4.0,
    ),
    _component(
        "par_centreline_score",
        "PAR centreline score",
        "Shift of the centrelines in quarters of a lower incisor, 0 to 2, before weighting.",
        2.0,
        2.0,
    ),
    Measure(
        code="irregularity_mm",
        label="Irregularity index (Little)",
        definition="Sum of the five contact-point displacements of the lower front teeth, canine to canine.",
        unit="mm",
        plausible=(0.0, 40.0),
        usual=(0.0, 20.0),
        up_means="lower front teeth more crowded",
        sign=0,
        family="occlusal",
        source="Little 1975",
    ),
)

_FARKAS = "Farkas, published mean of ratios (from memory)"
_RATIO_OF_MEANS = "ratio of Farkas means (computed from values from memory; not a mean of ratios)"

PHOTO_MEASURES = (
    Measure(
        code="facial_index_pct",
        label="Facial index",
        definition="Soft-tissue face height (nasion to lowest chin point) as a share of the width across the "
        "cheekbones.",
        unit="percent",
        formula=Ratio(LineThrough("N'", "Gn'"), LineThrough("ZyR", "ZyL")),
        plausible=(60.0, 120.0),
        usual=(74.0, 102.0),
        up_means="longer face",
        sign=1,
        norm=Norm(88.5, 5.1, _FARKAS, "men of 18 to 25, one population"),
        other_norms=(Norm(86.2, 4.6, _FARKAS, "women of 18 to 25, one population"),),
        family="photo",
        views=(FRONTAL,),
    ),
    Measure(
        code="lower_third_pct",
        label="Lower face share, soft tissue",
        definition="Subnasale to lowest chin point as a share of soft nasion to lowest chin point.",
        unit="percent",
        formula=Ratio(LineThrough("Sn", "Gn'"), LineThrough("N'", "Gn'")),
        plausible=(42.0, 72.0),
        usual=(50.0, 66.0),
        up_means="longer face",
        sign=1,
        norm=Norm(58.22, None, _RATIO_OF_MEANS, "men of 18 to 25, one population"),
        other_norms=(Norm(57.72, None, _RATIO_OF_MEANS, "women of 18 to 25, one population"),),
        family="photo",
        views=(FRONTAL, PROFILE, LATERAL),
    ),
    Measure(
        code="nasolabial_deg",
        label="Nasolabial angle",
        definition="Angle at subnasale between the columella and the upper lip.",
        unit="degrees",
        formula=VertexAngle(LineThrough("Sn", "Cm"), LineThrough("Sn", "Ls")),
        plausible=(60.0, 160.0),
        usual=(80.0, 130.0),
        up_means="upper lip further back",
        sign=0,
        family="photo",
        views=(PROFILE, LATERAL),
    ),
)
