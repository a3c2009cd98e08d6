"""A cylinder or plate of a shop: which it is, where it stands, and what it is thermally."""

from dataclasses import dataclass

from monitor.physics.bodies import Body


@dataclass(frozen=True, slots=True)
class BodyFacts:
    """One cylinder or plate, where it stands, and its thermal description."""

    id: str
    name: str
    kind: str  # "cylinder" | "plate"
    zone: str
    body: Body
    present: bool = True
    work_zone: str | None = None  # where it will be used
    brought_in: bool = False  # entered by a person, not standing there by the settings
    used: bool = True  # by a shift: its sweating is worth a message, not only a line on the page
