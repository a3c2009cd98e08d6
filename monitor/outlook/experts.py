"""The small models of a zone that the bank combines: what each looks at, over how many days, how stiff."""

from dataclasses import dataclass, replace

from monitor.outlook.inputs import Space

# Hours ahead that are forecast; between them straight lines.
KNOTS_H = (1, 2, 3, 4, 6, 9, 12, 15, 18, 21, 24, 27, 30, 33, 36, 39, 42, 45, 48)


@dataclass(frozen=True, slots=True)
class Expert:
    """A ridge on some of the physical inputs, over some days."""

    name: str
    space: Space
    groups: tuple[str, ...]
    window_days: int
    shrink: float
    let_in: bool = False  # looks at the outdoor air only as far as the zone lets it in


_REFERENCE = ("same hour", "exchange")
_OWN = ("past day", "trend", "older days", "past week")
_LONG = (
    *_REFERENCE,
    "memory",
    *_OWN,
    "past day outdoor",
    "trend outdoor",
    "past week outdoor",
    "week ago",
    "daily profile",
)
_RICH = (*_LONG, "finer hours", "warming outdoors")
_MOIST = (*_RICH, "warming", "held humidity", "season", "neighbour")
_QUICK = (
    *_REFERENCE,
    "memory",
    "past day",
    "past day outdoor",
    "trend",
    "trend outdoor",
    "older days",
    "unlike yesterday",
    "saturation",
)
_HELD = (*_REFERENCE, "held humidity", "past day", "past day outdoor", "finer hours")

# Windows, shrinkage and inputs were chosen on the first two thirds of the open records, each choice looked at
# on the buildings it was not made on. Errors of the second in a bank say which hours were out of the usual.
VAPOUR_EXPERTS = (
    Expert("exchange", Space.VAPOUR, (*_REFERENCE, "finer hours"), 21, 0.01),
    Expert("long memory", Space.VAPOUR, _MOIST, 42, 0.04),
    Expert("held humidity", Space.VAPOUR, _HELD, 28, 0.02),
    Expert("dew point, quick", Space.DEW_POINT, (*_QUICK, "held humidity"), 10, 0.2),
    Expert("dew point, heat", Space.DEW_POINT, (*_QUICK, "heat"), 14, 0.15),
    Expert("outdoor air alone", Space.VAPOUR, (*_LONG, "neighbour"), 42, 0.05),
    Expert("behind a dryer", Space.VAPOUR, _RICH, 42, 0.05, let_in=True),
    Expert(
        "everything, careful",
        Space.VAPOUR,
        (*_MOIST, "extremes", "unlike yesterday", "saturation"),
        42,
        0.3,
    ),
)
TEMPERATURE_EXPERTS = (
    Expert("exchange", Space.TEMPERATURE, (*_REFERENCE, "finer hours"), 21, 0.01),
    Expert("long memory", Space.TEMPERATURE, (*_RICH, "season", "extremes"), 42, 0.07),
    Expert("quick", Space.TEMPERATURE, (*_RICH, "season"), 28, 0.1),
    Expert("careful", Space.TEMPERATURE, (*_RICH, "season", "extremes", "unlike yesterday"), 42, 0.3),
)
# Foresees the indoor air, which the vapour experts' "held humidity" is made from.
AIR_EXPERT = Expert("indoor air", Space.TEMPERATURE, _RICH, 42, 0.05)

_BLIND = ("same hour", *_OWN)
_PROFILE = (*_BLIND, "week ago", "daily profile", "finer hours")
BLIND_VAPOUR_EXPERTS = (
    Expert("own history, short", Space.DEW_POINT, ("same hour",), 21, 0.05),
    Expert("own history, profile", Space.VAPOUR, (*_PROFILE, "warming", "neighbour"), 42, 0.2),
    Expert("own history", Space.DEW_POINT, _BLIND, 28, 0.1),
)
BLIND_TEMPERATURE_EXPERTS = (
    Expert("own history, short", Space.TEMPERATURE, ("same hour",), 21, 0.05),
    Expert("own history, profile", Space.TEMPERATURE, _PROFILE, 42, 0.1),
    Expert("own history", Space.TEMPERATURE, _BLIND, 28, 0.1),
)


def experts_for(temperature: bool, has_outdoor: bool, added: tuple[str, ...] = ()) -> tuple[Expert, ...]:
    """The bank for a quantity, with or without weather, with what was `added` to each one's inputs."""
    bank: tuple[Expert, ...]
    if temperature:
        bank = TEMPERATURE_EXPERTS if has_outdoor else BLIND_TEMPERATURE_EXPERTS
    else:
        bank = VAPOUR_EXPERTS if has_outdoor else BLIND_VAPOUR_EXPERTS
    return tuple(looking_at(expert, added) for expert in bank)


def looking_at(expert: Expert, added: tuple[str, ...]) -> Expert:
    """An expert that looks at some inputs more."""
    return replace(expert, groups=(*expert.groups, *added))
