"""The kinds of appliance as this invented world uses them (``appliances.toml``)."""

from dataclasses import dataclass

from synthetic_data.stated import stated

NO_USE = -50.0  # log weight of an appliance a practice does not use


@dataclass(frozen=True, slots=True, kw_only=True)
class Appliance:
    """One kind of appliance."""

    category: str  # Contract code
    type_pull: float = 0.0  # Change of the log odds of being chosen for each standard deviation of longer face
    age: tuple[float, float] = (12.0, 3.0)  # Usual age at start and its spread, in years
    # Change of the log odds of being chosen in incisor classes I, II/1, II/2, III
    class_pull: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    months: tuple[float, float] = (12.0, 3.0)  # Mean and spread of the time it is used
    leads: bool = False  # Whether it can be the first of two phases
    removable: bool = False  # Whether it is worn by the patient's own effort
    straightens: bool = False  # Whether it lines the teeth up, so that teeth may be extracted for it
    upper_jaw: float = 0.0  # Change of SNA in degrees
    lower_jaw: float = 0.0  # Change of SNB in degrees, besides that from rotation
    arch: str = "both"  # Contract code of the arch


APPLIANCES = tuple(Appliance(**one) for one in stated("appliances.toml")["appliance"])
CATEGORIES = tuple(appliance.category for appliance in APPLIANCES)
MAY_RAISE_OVERJET = ("expander_tooth_borne", "expander_bone_borne", "myofunctional", "facemask")
