"""The landmarks a tracing may hold: code, name, definition, and the views they can be seen in.

Definitions are the usual textbook ones (provenance in ``Landmark.source``). Gnathion on the bone and "gn" of
anthropometry are different points: here ``Gn`` is bone and ``Gn'`` is the lowest point of the soft chin.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from warehouse.errors import DefinitionError, near_names

LATERAL = "lateral_radiograph"
PROFILE = "profile_photo"
FRONTAL = "frontal_photo"
VIEWS = (LATERAL, PROFILE, FRONTAL)

_TEXTBOOK = "standard textbook definition (from memory)"
_BONE = (LATERAL,)
_SIDE = (LATERAL, PROFILE)
_SKIN = (LATERAL, PROFILE, FRONTAL)


@dataclass(frozen=True, slots=True)
class Landmark:
    """One named point."""

    code: str  # The code used in files; case matters (`Sn` is subnasale, `S` and `N` are two points)
    name: str  # The trade name
    definition: str  # Where it lies, in one sentence
    views: tuple[str, ...]  # The views in which it may be placed
    aliases: tuple[str, ...] = ()  # Other spellings that mean the same point
    source: str = _TEXTBOOK  # Where the definition comes from


_ALL = (
    Landmark("S", "Sella", "Midpoint of the pituitary fossa.", _BONE),
    Landmark("N", "Nasion", "Most anterior point of the frontonasal suture in the midline.", _BONE),
    Landmark("Or", "Orbitale", "Lowest point of the infra-orbital margin; the mean if both sides show.", _BONE),
    Landmark("Po", "Porion", "Uppermost point of the ear canal (anatomic) or of the ear rod (machine).", _BONE),
    Landmark("Ba", "Basion", "Lowest midline point on the front margin of the foramen magnum.", _BONE),
    Landmark("Pt", "Pterygoid point", "Lower border of foramen rotundum where it meets the fissure.", _BONE),
    Landmark("ANS", "Anterior nasal spine", "Tip of the bony spine of the upper jaw.", _BONE),
    Landmark("PNS", "Posterior nasal spine", "Back end of the bony palate in the midline.", _BONE),
    Landmark("A", "Subspinale", "Deepest midline point between the spine and the upper alveolar crest.", _BONE),
    Landmark("B", "Supramentale", "Deepest midline point between the lower alveolar crest and the chin.", _BONE),
    Landmark("Pog", "Pogonion", "Most anterior point of the bony chin.", _BONE),
    Landmark("Gn", "Gnathion", "Point of the bony chin between pogonion and menton.", _BONE),
    Landmark("Me", "Menton", "Lowest point of the outline of the symphysis.", _BONE),
    Landmark("Go", "Gonion", "Angle of the lower jaw: where two tangents cross (constructed) or on the curve.", _BONE),
    Landmark("Ar", "Articulare", "Where the cranial base outline crosses the back of the condyle.", _BONE),
    Landmark("U1T", "Upper incisor tip", "Edge of the most anterior upper central incisor.", _BONE),
    Landmark("U1A", "Upper incisor apex", "Root apex of the most anterior upper central incisor.", _BONE),
    Landmark("L1T", "Lower incisor tip", "Edge of the most anterior lower central incisor.", _BONE),
    Landmark("L1A", "Lower incisor apex", "Root apex of the most anterior lower central incisor.", _BONE),
    Landmark("U6", "Upper first molar", "Mesiobuccal cusp tip of the upper first molar.", _BONE),
    Landmark("L6", "Lower first molar", "Mesiobuccal cusp tip of the lower first molar.", _BONE),
    Landmark("N'", "Soft nasion", "Deepest point of the hollow between forehead and nose.", _SKIN),
    Landmark("Prn", "Pronasale", "Most anterior point of the tip of the nose.", _SIDE),
    Landmark("Cm", "Columella", "Most anterior point of the columella, from which its tangent runs.", _SIDE),
    Landmark("Sn", "Subnasale", "Where the columella meets the upper lip.", _SKIN),
    Landmark("Ls", "Labrale superius", "Most anterior point of the upper lip margin.", _SIDE),
    Landmark("Stms", "Upper stomion", "Lowest point of the upper lip.", _SKIN),
    Landmark("Stmi", "Lower stomion", "Highest point of the lower lip.", _SKIN),
    Landmark("Pog'", "Soft pogonion", "Most anterior point of the soft chin.", _SIDE),
    Landmark("Gn'", "Soft menton", "Lowest point of the soft chin ('gn' of anthropometry).", _SKIN, ("Me'",)),
    Landmark("ZyR", "Right zygion", "Most lateral point of the cheekbone outline, person's right.", (FRONTAL,)),
    Landmark("ZyL", "Left zygion", "Most lateral point of the cheekbone outline, person's left.", (FRONTAL,)),
)

#: Points that may truly lie on one spot: closed lips, and teeth that meet. Any other two on one spot are a slip.
MAY_TOUCH = (frozenset({"Stms", "Stmi"}), frozenset({"U1T", "L1T"}), frozenset({"U6", "L6"}))

LANDMARKS: Mapping[str, Landmark] = MappingProxyType({point.code: point for point in _ALL})
ALIASES: Mapping[str, str] = MappingProxyType({alias: p.code for p in _ALL for alias in p.aliases})


def landmark(code: str) -> Landmark:
    """The landmark named ``code`` or by one of its aliases.

    Raises:
        DefinitionError: No landmark has that code; the message offers near ones.
    """
    found = LANDMARKS.get(ALIASES.get(code, code))
    if found is not None:
        return found
    message = f"There is no landmark called {code!r}."
    raise DefinitionError(
        message,
        where="landmark code",
        expected=f"one of {', '.join(LANDMARKS)}",
        remedy=near_names(code, LANDMARKS) or "correct the code; capitals and the prime (') matter",
    )
