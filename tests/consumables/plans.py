"""A plan: what happened to one package and what was entered, and the plain rules' answer to it."""

from dataclasses import dataclass, field

from tests.consumables import plain_rules as rules
from tests.consumables.plain_evidence import Move, Row, Rows, Told

H = 3600.0
METAL, PLASTIC = "bs300", "s300"
HOT_ZONES = ("oven-a", "oven-b", "quiver")


@dataclass(frozen=True)
class Step:
    at_s: float
    place: str
    zone: str
    fresh: bool = False
    typed_c: float | None = None


@dataclass(frozen=True)
class Plan:
    """What happened to one package up to `now_s`."""

    class_id: str
    steps: tuple[Step, ...]  # in the order in which they were entered; the first is the opening
    now_s: float
    air: dict[str, Rows] = field(default_factory=dict)
    probes: dict[str, tuple[Rows, ...]] = field(default_factory=dict)
    checks: tuple[tuple[str, float, float], ...] = ()  # (zone, s, degC) read on the oven's own display
    wet_s: float | None = None
    withdrawn_s: float | None = None
    spool: str = ""
    makers_word: bool = False
    tested_b: tuple[float, float, float] | None = None
    declared: bool = False  # by the settings; the page tells the rest
    slips: tuple[Step, ...] = ()  # entered and taken back
    put_right: bool = False  # entered wrong at first (the class, the times), then corrected

    @property
    def opened_s(self) -> float:
        return self.steps[0].at_s


def plain(plan: Plan, looser: frozenset[str] = frozenset()) -> rules.Answer:
    """What the plain rules say of it."""
    typed: dict[str, list[Row]] = {}
    for zone, at_s, value in plan.checks:
        typed.setdefault(zone, []).append((at_s, value))
    for step in plan.steps:
        if step.typed_c is not None:
            typed.setdefault(step.zone, []).append((step.at_s, step.typed_c))
    told = Told(
        class_id=plan.class_id,
        opened_s=plan.opened_s,
        moves=tuple(Move(step.at_s, step.place, step.zone, step.fresh) for step in plan.steps),
        air=plan.air,
        probes=plan.probes,
        typed={zone: tuple(sorted(rows)) for zone, rows in typed.items()},
        wet_s=plan.wet_s,
        withdrawn_s=plan.withdrawn_s,
        metal_spool=plan.spool == METAL,
        makers_word=plan.makers_word,
        tested_b=plan.tested_b,
        looser=looser,
    )
    return rules.answer(told, plan.now_s)
