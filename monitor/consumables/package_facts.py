"""An opened package of a shop: which it is, where it has been, and the rules that count its hours."""

from dataclasses import dataclass

from monitor.consumables.classes import Place
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.stays import DatedHappening, Happening, Stay


@dataclass(frozen=True, slots=True)
class PackageFacts:
    """One opened package: where it has been, and the rules of its class."""

    id: str
    name: str
    consumable: str
    zone: str
    stays: tuple[Stay, ...]
    rules: ClockRules
    happenings: tuple[DatedHappening, ...] = ()  # in order of time
    entered_s: float = 0.0  # of the last thing done with it
    place: Place = Place.UNKNOWN  # now
    lot: str = ""
    job: str = ""

    @property
    def opened_s(self) -> float:
        """When it was opened."""
        return self.stays[0].start_s

    @property
    def withdrawn(self) -> bool:
        """Whether it was taken out of use."""
        return any(one.kind is Happening.WITHDRAWN for one in self.happenings)
