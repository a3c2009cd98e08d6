"""Reads out of the settings who is told at each site, and how each person is reached."""

from monitor.alarms.roster import Roster
from monitor.model.staff import OnCall, Person
from monitor.settings.schema import Settings

EVERYBODY = "*"  # is told first at a site where nobody is on call
TWO_HOURS_S = 7200.0


def roster_of(settings: Settings) -> Roster:
    """Who is told, in which order; where nobody is on call it is everybody at once, through every channel."""
    zones = {site.id: site.tz for site in settings.sites}
    on_call = {one.site: one for one in settings.on_call}
    for site in [site for site in zones if site not in on_call]:
        on_call[site] = OnCall.model_construct(
            site=site, steps=(EVERYBODY,), by_shift={}, escalate_after_s=TWO_HOURS_S
        )
    return Roster(
        on_call=on_call,
        people={
            **{one.id: one for one in settings.people},
            EVERYBODY: Person.model_construct(id=EVERYBODY, name=""),
        },
        zones=zones,
    )


def channels_of(settings: Settings) -> dict[str, tuple[str, ...]]:
    """The channels of everybody who may be told; who names none is reached by all of them."""
    every = personal(settings)
    told = {person for on_call in settings.on_call for person in (*on_call.steps, *on_call.by_shift.values())}
    channels = {person.id: person.channels or every for person in settings.people if person.id in told}
    watched = {on_call.site for on_call in settings.on_call}
    if all(site.id in watched for site in settings.sites):
        return channels
    return {**channels, EVERYBODY: every}


def personal(settings: Settings) -> tuple[str, ...]:
    """The channels that reach people; a retained MQTT state reaches lamps and other software."""
    return tuple(channel.id for channel in settings.channels if channel.kind != "mqtt")
