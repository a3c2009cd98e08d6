"""What conditions and their events are called, by the catalogue and the names of things."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from monitor.alarms.catalogue import Catalogue
from monitor.model.event import Event
from monitor.report.local_days import day_and_clock

_SHIFT = re.compile(r"[^:]+:(?P<name>[^:]+):(?P<starts>\d{4}-\d\d-\d\dT\d\d:\d\d)")
# Why a condition was put out of play, by the fact that did it; as a lead says it.
QUIET = {
    "package_sealed": "quiet while it is put away",
    "off_shift": "quiet outside working hours",
    "zone_out_of_use": "quiet while the place is out of use",
    "outdoor": "quiet outdoors",
    "body_absent": "quiet while it is away",
    "quiver_empty": "quiet while nothing is in it",
    "site_closed": "quiet while the site is closed",
}
_SERVICE = "service"  # the subject of conditions about the service itself, which their titles name


def why_words(why: str) -> str:
    """Why an alarm moved: a person's own words as they are, a fact of ours in plain words."""
    return ", ".join(QUIET.get(part, part) for part in why.split(", "))


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """What the catalogue of conditions says about ids and events."""

    catalogue: Catalogue
    names: Mapping[str, str]  # of zones, bodies, packages, sensors by id

    def family(self, condition: str) -> str:
        """The family a condition belongs to; a condition unknown here stands alone."""
        kind = self.catalogue.kinds.get(condition.partition(".")[0])
        return condition if kind is None else kind.family

    def title(self, event: Event) -> str:
        """What an alarm event is about, such as "Wet: Mixed gas 3"."""
        said = event.body.get("title")
        if said:
            return str(said)
        name, _, subject = event.subject.partition(".")
        kind = str(event.body.get("kind", name))
        return self.condition(f"{kind}.{event.body.get('subject', subject)}")

    def condition(self, condition: str) -> str:
        """What a condition is about, in words; its id where it is unknown here."""
        name, _, subject = condition.partition(".")
        kind = self.catalogue.kinds.get(name)
        if kind is None:
            return condition
        return kind.title if subject == _SERVICE else f"{kind.title}: {self.named(subject)}"

    def kind(self, name: str) -> str:
        """What a kind of condition is called; its id in plain words where it is unknown here."""
        known = self.catalogue.kinds.get(name)
        return name.replace("_", " ") if known is None else known.title

    def named(self, subject: str) -> str:
        """What a thing is called; a shift by its name and when it begins, also long after it is over."""
        shift = _SHIFT.fullmatch(subject)
        if subject in self.names or shift is None:
            return self.names.get(subject, subject)
        starts = datetime.fromisoformat(shift["starts"])  # the id is written in the site's own time
        return f"{shift['name'].replace('-', ' ')} {day_and_clock(starts)}"
