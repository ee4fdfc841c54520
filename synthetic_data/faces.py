"""A face as points: constructed from its true angles and lengths, so that every measure of it is known.

Points are complex numbers, x forwards and y upwards, in mm at life size, with sella at 0 and nasion on the x axis.
Turning by an angle is a multiplication, so the construction reads like a drawing instruction. The numbers in it are
proportions of an ordinary face, chosen by eye; they are nobody's.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from synthetic_data.anatomy import POINT_B, Anatomy, gonion, unit
from synthetic_data.arrays import ComplexArray, FloatArray
from synthetic_data.growth import length

Points: TypeAlias = dict[str, ComplexArray]

CHIN = 1.044  # gnathion ahead of gonion, in corpus lengths along the mandibular plane
POGONION = 1.046 + 0.169j  # as POINT_B
CRANIUM = {"Ba": -26.4 - 37.2j, "Pt": 15.2 - 25.9j, "Po": -20.2 - 17.8j}  # mm at CRANIUM_SCALE
CRANIUM_SCALE = 69.0
PORION_TO_ORBITALE = 74.0  # mm at CRANIUM_SCALE
UPPER_ROOT, LOWER_ROOT = 24.0, 23.5  # mm, edge to apex
INCISOR_TO_MOLAR = 35.0  # mm
CORPUS_PER_SNB_DEGREE = 0.026


@dataclass(frozen=True, slots=True)
class Pose:
    """What changes from visit to visit; arrays of one shape, angles in degrees, lengths in mm."""

    age: FloatArray  # Age in years
    plane: FloatArray  # Mandibular plane to cranial base (SN-GoMe)
    upper_jaw: FloatArray  # Change of SNA since start
    lower_jaw: FloatArray  # Change of SNB since start that growth and rotation do not explain
    u1_sn: FloatArray  # Upper incisor to cranial base
    impa: FloatArray  # Lower incisor to mandibular plane
    overjet: FloatArray  # Along and across the occlusal plane
    overbite: FloatArray
    lip_gap: FloatArray  # Lip gap at rest
    retracted: FloatArray  # How far the upper incisors were drawn back


def draw(anatomy: Anatomy, pose: Pose) -> Points:
    """All points of the lateral view; one row a face, anatomy and pose of one length."""
    points = _bones(anatomy, pose)
    points |= _teeth(anatomy, pose, points)
    points |= _skin(anatomy, pose, points)
    return points


def _bones(anatomy: Anatomy, pose: Pose) -> Points:
    base = length("cranial_base", pose.age, anatomy.male) * anatomy.size
    upper = length("upper_face", pose.age, anatomy.male) * anatomy.size * anatomy.upper_face
    reach = length("corpus", pose.age, anatomy.male) * anatomy.size * anatomy.corpus
    corpus = reach * (1.0 + CORPUS_PER_SNB_DEGREE * pose.lower_jaw) * unit(-pose.plane)
    scale = base / CRANIUM_SCALE
    nasion = base.astype(np.complex128)
    articulare, corner = gonion(anatomy, pose.age, pose.plane)
    sna = anatomy.sna + pose.upper_jaw
    spine = nasion + upper * unit(183.2 + sna)
    points = {name: at * scale for name, at in CRANIUM.items()}
    return points | {
        "S": np.zeros_like(nasion),
        "N": nasion,
        "Or": points["Po"] + PORION_TO_ORBITALE * scale * unit(-anatomy.frankfort),
        "Ar": articulare,
        "Go": corner,
        "Me": corner + corpus,
        "Gn": corner + corpus * (CHIN + 1j * CHIN * np.tan(np.radians(anatomy.chin))),
        "Pog": corner + corpus * POGONION,
        "B": corner + corpus * POINT_B,
        "A": nasion + 1.08 * upper * unit(180.0 + sna),
        "ANS": spine,
        "PNS": spine - 0.75 * base * unit(-anatomy.palatal),
    }


def _teeth(anatomy: Anatomy, pose: Pose, bones: Points) -> Points:
    across = bones["A"].real + 4.0 - pose.retracted
    height = bones["ANS"].imag + 0.46 * (bones["Me"].imag - bones["ANS"].imag)
    upper = across + 1j * height
    along = unit(-(15.5 + 0.35 * (pose.plane - 35.0) + anatomy.occlusal))
    lower = upper - pose.overjet * along + 1j * pose.overbite * along
    molars = (upper + lower) / 2 - INCISOR_TO_MOLAR * anatomy.size * along
    return {
        "U1T": upper,
        "U1A": upper - UPPER_ROOT * anatomy.size * unit(180.0 + pose.u1_sn),
        "L1T": lower,
        "L1A": lower - LOWER_ROOT * anatomy.size * unit(180.0 - pose.plane - pose.impa),
        "U6": molars + 0.6j * along,
        "L6": molars - 0.6j * along,
    }


def _skin(anatomy: Anatomy, pose: Pose, hard: Points) -> Points:
    nose = length("nose", pose.age, anatomy.male) * anatomy.size
    tip = hard["ANS"] + nose + 2.0j
    under_nose = hard["ANS"] + 0.45 * nose - 0.5j
    upper_lip = hard["U1T"] + 8.0 + 2.5j
    return {
        "N'": hard["N"] + 4.5 - 0.5j,
        "Prn": tip,
        "Cm": under_nose + 0.35 * nose * (1.0 + 0.4j),
        "Sn": under_nose,
        "Ls": under_nose + 1.5 - 0.5 * pose.retracted - 12.0j,
        "Stms": upper_lip,
        "Stmi": upper_lip - 1j * pose.lip_gap,
        "Pog'": hard["Pog"] + 11.0,
        "Gn'": hard["Me"] + 3.0 - 7.0j,
    }
