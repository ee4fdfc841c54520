"""Catalogue entries for jaw position and front-tooth inclination on the lateral radiograph.

"(from memory)" in a source means that the value was recalled and not read in the named work.
"""

from __future__ import annotations

from warehouse.measures.formulae import Distance, LineThrough, Midpoint, Projection, Sum, VertexAngle
from warehouse.measures.landmarks import FRONTAL, LATERAL, PROFILE
from warehouse.measures.measure import Measure, Norm, StatedError
from warehouse.measures.vertical_measures import GONION_KINDS

OCCLUSAL_PLANE = LineThrough(Midpoint("U6", "L6"), Midpoint("U1T", "L1T"))
OCCLUSAL_PLANE_KIND = "occlusal plane through molar and incisor midpoints"
UPPER_INCISOR = LineThrough("U1A", "U1T")
LOWER_INCISOR = LineThrough("L1A", "L1T")

_SNA = VertexAngle(LineThrough("N", "S"), LineThrough("N", "A"))
_SNB = VertexAngle(LineThrough("N", "S"), LineThrough("N", "B"))
_DELAMARE = "Delamare 2012, simulated from landmark error (abstract)"
_RULE_OF_THUMB = "common practice, no source; a rule of thumb and never a norm"

SAGITTAL_MEASURES = (
    Measure(
        code="sna_deg",
        label="Upper jaw to cranial base, SNA",
        definition="Angle at nasion between sella and point A.",
        unit="degrees",
        formula=_SNA,
        plausible=(60.0, 105.0),
        usual=(72.0, 92.0),
        up_means="upper jaw further forward",
        sign=0,
        norm=Norm(81.0, 3.0, "Eastman standard (from memory)"),
        other_norms=(Norm(82.0, None, "Steiner (from memory)"),),
        method_error=StatedError(1.2, _DELAMARE),
        family="sagittal",
        views=(LATERAL,),
    ),
    Measure(
        code="snb_deg",
        label="Lower jaw to cranial base, SNB",
        definition="Angle at nasion between sella and point B.",
        unit="degrees",
        formula=_SNB,
        plausible=(55.0, 100.0),
        usual=(68.0, 90.0),
        up_means="lower jaw further forward",
        sign=0,
        norm=Norm(78.0, 3.0, "Eastman standard (from memory)"),
        other_norms=(Norm(80.0, None, "Steiner (from memory)"),),
        method_error=StatedError(0.9, _DELAMARE),
        family="sagittal",
        views=(LATERAL,),
    ),
    Measure(
        code="anb_deg",
        label="Jaw relation, ANB",
        definition="SNA minus SNB; negative where the lower jaw is ahead.",
        unit="degrees",
        formula=Sum(((1.0, _SNA), (-1.0, _SNB))),
        plausible=(-15.0, 18.0),
        usual=(-5.0, 10.0),
        up_means="lower jaw further back relative to the upper",
        sign=0,
        norm=Norm(3.0, 2.0, "Eastman standard (from memory)"),
        other_norms=(Norm(2.0, None, "Steiner (from memory)"),),
        method_error=StatedError(0.8, _DELAMARE),
        family="sagittal",
        views=(LATERAL,),
    ),
    Measure(
        code="wits_mm",
        label="Wits appraisal",
        definition="Distance along the occlusal plane from the foot of point B to that of point A; positive "
        "where A is ahead.",
        unit="mm",
        formula=Projection(LineThrough("B", "A"), OCCLUSAL_PLANE),
        plausible=(-25.0, 25.0),
        usual=(-10.0, 12.0),
        up_means="lower jaw further back relative to the upper",
        sign=0,
        norm=Norm(-1.17, 1.9, "Jacobson 1975 (from memory)", "men"),
        other_norms=(Norm(-0.10, 1.77, "Jacobson 1975 (from memory)", "women"),),
        family="sagittal",
        variants=(OCCLUSAL_PLANE_KIND, "functional occlusal plane"),
        from_points=OCCLUSAL_PLANE_KIND,
        views=(LATERAL,),
        needs_scale=True,
        on_film=True,
    ),
)

DENTAL_MEASURES = (
    Measure(
        code="u1_sn_deg",
        label="Upper incisor to cranial base, U1-SN",
        definition="Angle behind and below between nasion-sella and the long axis of the upper incisor.",
        unit="degrees",
        formula=VertexAngle(LineThrough("N", "S"), UPPER_INCISOR),
        plausible=(60.0, 145.0),
        usual=(85.0, 125.0),
        up_means="upper incisors further forward",
        sign=0,
        norm=Norm(103.0, 5.5, "middle of 102 to 104 (from memory)"),
        family="dental",
        views=(LATERAL,),
    ),
    Measure(
        code="u1_pp_deg",
        label="Upper incisor to palatal plane, U1-PP",
        definition="Angle behind and below between the palatal plane and the long axis of the upper incisor.",
        unit="degrees",
        formula=VertexAngle(LineThrough("ANS", "PNS"), UPPER_INCISOR),
        plausible=(65.0, 150.0),
        usual=(90.0, 130.0),
        up_means="upper incisors further forward",
        sign=0,
        norm=Norm(109.0, 6.0, "Eastman standard (from memory)"),
        family="dental",
        views=(LATERAL,),
    ),
    Measure(
        code="impa_deg",
        label="Lower incisor to mandibular plane, IMPA",
        definition="Angle between menton-gonion and the long axis of the lower incisor.",
        unit="degrees",
        formula=VertexAngle(LineThrough("Me", "Go"), LOWER_INCISOR),
        plausible=(60.0, 130.0),
        usual=(75.0, 112.0),
        up_means="lower incisors further forward",
        sign=0,
        norm=Norm(93.0, 6.0, "Eastman standard (from memory)"),
        other_norms=(Norm(91.4, 3.78, "Downs 1948 (from memory)"),),
        family="dental",
        variants=GONION_KINDS,
        views=(LATERAL,),
    ),
    Measure(
        code="interincisal_deg",
        label="Interincisal angle",
        definition="Angle between the long axes of the upper and lower incisors.",
        unit="degrees",
        formula=VertexAngle(LineThrough("U1T", "U1A"), LineThrough("L1T", "L1A")),
        plausible=(80.0, 180.0),
        usual=(105.0, 160.0),
        up_means="incisors more upright to each other",
        sign=0,
        norm=Norm(135.0, 10.0, "Eastman standard (from memory)"),
        other_norms=(Norm(135.4, 5.76, "Downs 1948 (from memory)"), Norm(131.0, None, "Steiner (from memory)")),
        family="dental",
        views=(LATERAL,),
    ),
    Measure(
        code="overjet_mm",
        label="Overjet",
        definition="How far the upper incisor edge lies ahead of the lower, along the occlusal plane.",
        unit="mm",
        formula=Projection(LineThrough("L1T", "U1T"), OCCLUSAL_PLANE),
        plausible=(-15.0, 25.0),
        usual=(-4.0, 13.0),
        up_means="upper incisors further ahead of the lower",
        sign=0,
        norm=Norm(2.5, None, "middle of 2 to 3 mm (from memory)"),
        family="dental",
        variants=(OCCLUSAL_PLANE_KIND, "with a ruler"),
        from_points=OCCLUSAL_PLANE_KIND,
        views=(LATERAL,),
        needs_scale=True,
    ),
    Measure(
        code="overbite_mm",
        label="Overbite",
        definition="Vertical overlap of the incisor edges, at right angles to the occlusal plane; negative "
        "where the bite is open.",
        unit="mm",
        formula=Projection(LineThrough("U1T", "L1T"), OCCLUSAL_PLANE, across=True),
        plausible=(-15.0, 15.0),
        usual=(-5.0, 9.0),
        up_means="deeper bite",
        sign=0,
        norm=Norm(3.0, None, "middle of 2 to 4 mm (from memory)"),
        family="dental",
        variants=(OCCLUSAL_PLANE_KIND, "with a ruler"),
        from_points=OCCLUSAL_PLANE_KIND,
        views=(LATERAL,),
        needs_scale=True,
    ),
    Measure(
        code="nose_tip_to_incisor_mm",
        label="Nose tip to upper incisor edge",
        definition="Straight distance from the tip of the nose to the edge of the upper incisor.",
        unit="mm",
        formula=Distance(LineThrough("Prn", "U1T")),
        plausible=(15.0, 65.0),
        usual=(22.0, 50.0),
        up_means="upper incisors further from the nose tip",
        sign=0,
        family="dental",
        variants=("from a radiograph", "with a ruler"),
        from_points="from a radiograph",
        views=(LATERAL,),
        needs_scale=True,
        source=_RULE_OF_THUMB,
    ),
)

LIP_MEASURES = (
    Measure(
        code="lip_gap_mm",
        label="Lip gap at rest",
        definition="Distance between upper and lower lip at rest; 0 where the lips meet.",
        unit="mm",
        formula=Distance(LineThrough("Stms", "Stmi"), may_touch=True),
        plausible=(0.0, 20.0),
        usual=(0.0, 10.0),
        up_means="lips further apart",
        sign=0,
        family="photo",
        views=(FRONTAL, PROFILE, LATERAL),
        needs_scale=True,
    ),
)
