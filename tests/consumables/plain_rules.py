"""The exposure rules a second time, plainly, to be read beside the texts; the clock is compared with it.

Written from the rules and the class tables (`shared/consumables.toml`), before and without the clock's
code, and strict wherever a text is open. It knows nothing of the service: a history is a list of moves, of
readings of ovens and air, and of what people said of the pack.

The rules, with the source each follows (as far as known: `shared/consumables.toml` says how well):

* AWS D1.1/D1.1M:2015 5.3.2.1: once the container is open the hours run, wherever the electrodes are, but in
  an oven at 120 degC or more. Only the maker's container is sealed: opened rods are not sealed again. Wet
  electrodes are not used. One rebake.
* 5.3.2.2: a hold in the oven permits reissue. Strictly it gives no hours back: hours out add up until a
  bake.
* 5.3.2.3: column B only where a test is shown, and only in air no wetter than its test air (relative
  humidity, or water in the air); air that nobody measured is not known to be no wetter.
* 5.3.2.4: a bake begins at no more than the ramp's temperature for half an hour, then comes within the
  range, and is counted from there without a break. Not shown is not done; too hot is spoiled; begun is
  used.
* AWS D1.8 (72 h) and the makers' sheets: hours add up and pause in sealed or heated storage only; a bag is
  sealed while its desiccant is fresh. An unheated cabinet is neither. Redrying, and an oven, only by the
  maker's word and on metal.
* Submerged-arc flux: the opened bag's 8 h pause in an oven shown hot.
* Planning, not code: air wetter than the test's shortens any hours in proportion to its water.
"""

import math
import tomllib
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

from tests.consumables.plain_evidence import (
    AIR_SPEAKS_S,
    BY_HAND_BAKE_S,
    HOUR_S,
    PROBE_GAP_S,
    TYPED_S,
    Move,
    Rows,
    Told,
    air_at,
    by_hand,
    heat,
    hottest_seen,
    unread_s,
)

TABLES = tomllib.loads((Path(__file__).parents[2] / "shared" / "consumables.toml").read_text("utf-8"))
EXACT_H = 1e-6  # a limit reached exactly is kept
OVENS = ("holding-oven", "heated-quiver", "redry")
USABLE, UNKNOWN, OVER, WITHDRAW = "usable", "unknown", "over", "withdraw"
#: From mild to strict.
STANDINGS = (USABLE, UNKNOWN, OVER, WITHDRAW)


@dataclass(frozen=True)
class Answer:
    hours: float
    limit_h: float | None
    left_h: float | None
    standing: str
    rebakes: int


@dataclass(frozen=True)
class Rule:
    """One class's numbers, as the tables give them."""

    kind: str
    limit_h: float | None
    column_b_h: float | None
    places: dict[str, str]
    oven_min_c: float | None
    quiver_min_c: float | None
    hold_h: float | None
    cabinet_max_rh: float | None
    bag_h: float | None
    redry: dict[str, float] | None
    makers_word_needed: bool
    test_c: float | None
    test_rh: float | None
    beyond_h: float | None
    care: str


def _value(table: dict, key: str) -> float | None:
    return table[key]["value"] if key in table else None


@cache
def rule_of(class_id: str) -> Rule:
    row = next(
        r for r in TABLES["class"] if r["id"] == class_id or class_id in [a["id"] for a in r.get("also", [])]
    )
    care = TABLES["care"][row["care"]]
    bake = TABLES["redry"].get(row.get("redry", ""))
    air = TABLES["test_air"].get(row.get("test_air", ""), {})
    numbers = None
    if bake is not None:
        numbers = {k: v["value"] for k, v in bake.items() if isinstance(v, dict) and "value" in v}
    return Rule(
        kind=row["kind"],
        limit_h=_value(row, "limit"),
        column_b_h=_value(row, "column_b"),
        places=care["places"],
        oven_min_c=_value(care, "oven_min"),
        quiver_min_c=_value(care, "quiver_min"),
        hold_h=_value(care, "hold_min"),
        cabinet_max_rh=_value(care, "cabinet_max_rh"),
        bag_h=_value(care, "bag_protects"),
        redry=numbers,
        makers_word_needed=bake is not None and bake["permission"] == "maker",
        test_c=_value(air, "temperature_c"),
        test_rh=_value(air, "rh"),
        beyond_h=_value(air, "beyond_limit_h"),
        care=row["care"],
    )


def vapour_pa(temperature_c: float, rh: float) -> float:
    """WMO-No. 8, Annex 4.B, over water."""
    return rh * 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


@dataclass
class Count:
    """What is known of the pack while its history is read; sums since it was opened or baked."""

    hours: float = 0.0
    weighted: float = 0.0  # each hour times the water of its air, of the test air's
    beyond: bool = False  # air wetter than the test's, or not known, met while the hours ran
    gone_s: float = math.inf  # when this stay ends
    now: float = 1.0  # water of the present air, of the test air's
    wettest: float = 1.0  # met so far, of the test air's; what nobody measured is no drier
    rebakes: int = 0
    spoiled: bool = False
    desiccant_s: float | None = None
    # One bake: none, begun (the slow first step), rising (and in the range), failed.
    attempt: str = "none"
    ramp_s: float = 0.0
    hot_s: float = 0.0
    held_s: float = 0.0
    heated: bool = False  # it has not cooled since a bake was counted
    heated_here: bool = False  # in this stay


def answer(told: Told, now_s: float) -> Answer:
    """Hours counted, the limit in force, hours left, standing and rebakes, at `now_s`."""
    rule = rule_of(told.class_id)
    if math.isnan(told.opened_s) or told.opened_s > now_s:
        return Answer(0.0, rule.limit_h, None, UNKNOWN, 0)
    count = Count()
    end_of_all_s = now_s if told.withdrawn_s is None else min(max(told.withdrawn_s, told.opened_s), now_s)
    moves = sorted((m for m in told.moves if told.opened_s <= m.at_s <= end_of_all_s), key=lambda m: m.at_s)
    before: Move | None = None
    for n, move in enumerate(moves):
        end_s = moves[n + 1].at_s if n + 1 < len(moves) else end_of_all_s
        arrive(count, move, before, told.looser)
        count.gone_s = end_s
        for start_s, stop_s in pieces(told, rule, count, move, end_s):
            stay(told, rule, count, move, start_s, stop_s)
        if move.place in OVENS:
            leave(told, rule, count, move, end_s)
        before = move
    if before is not None:
        count.now = max(1.0, air_ratio(told, rule, count, before.zone, now_s)[0])
    return judge(told, rule, count, now_s)


def arrive(count: Count, move: Move, before: Move | None, looser: frozenset[str]) -> None:
    """New desiccant by somebody's word only; a bake goes on only in the oven it began in."""
    in_bag = move.place in ("bagged", "sealed")
    kept = before is not None and (before.place, before.zone) == (move.place, move.zone)
    fresh = move.fresh or ("any bag" in looser and not kept)
    if in_bag and (fresh or ("first bag" in looser and count.desiccant_s is None)):
        count.desiccant_s = move.at_s
    if not kept:
        count.attempt = "begun" if move.place == "redry" else "none"
        count.ramp_s = count.hot_s = count.held_s = 0.0
        count.heated = count.heated_here = False


def pieces(told: Told, rule: Rule, count: Count, move: Move, end_s: float) -> list[tuple[float, float]]:
    """The stay cut at every reading of its zone and at the end of its desiccant."""
    cuts = {move.at_s, end_s}
    for readings in (
        told.air.get(move.zone, ()),
        told.typed.get(move.zone, ()),
        *told.probes.get(move.zone, ()),
    ):
        found = readings[bisect_left(readings, (move.at_s,)) : bisect_right(readings, (end_s, math.inf))]
        cuts.update(row[0] for row in found)
    ends = (row[0] + AIR_SPEAKS_S for row in told.air.get(move.zone, ()))
    cuts.update(at_s for at_s in ends if move.at_s < at_s < end_s)
    if count.desiccant_s is not None and rule.bag_h is not None:
        cuts.add(min(max(count.desiccant_s + rule.bag_h * HOUR_S, move.at_s), end_s))
    ordered = sorted(cuts)
    return list(pairwise(ordered))


def stay(told: Told, rule: Rule, count: Count, move: Move, start_s: float, end_s: float) -> None:
    """One piece of one stay: it counts, unless something shows that it does not."""
    shown = heat(told, move.zone, start_s, end_s) if move.place in (*OVENS, "dry-cabinet") else None
    if move.place in OVENS:
        heated(told, rule, count, move, start_s, end_s)
    if move.place == "redry":
        both = with_hand(told, shown, by_hand(told, (move, count.gone_s), start_s, end_s, BY_HAND_BAKE_S))
        bake(told, rule, count, both, end_s - start_s)
    if move.place in OVENS:
        shown = with_hand(told, shown, by_hand(told, (move, count.gone_s), start_s, end_s, TYPED_S))
    if "hold" in told.looser and move.place in OVENS[:1]:
        hold(rule, count, shown, end_s - start_s)
    if paused(told, rule, count, move, shown, end_s):
        return
    ratio, within = air_ratio(told, rule, count, move.zone, start_s)
    if "into a hot oven" in told.looser and move.place in OVENS:
        within = within or stands_hot(told, rule, move.zone, start_s)
    span_h = (end_s - start_s) / HOUR_S
    count.beyond = count.beyond or not within
    count.hours += span_h
    count.weighted += span_h * ratio


def stands_hot(told: Told, rule: Rule, zone: str, at_s: float) -> bool:
    """The looser reading that an oven last read hot, by every probe and by hand, holds no unknown air."""
    probes = [rows[-1] for probe in told.probes.get(zone, ()) if (rows := until(probe, at_s))]
    typed = until(told.typed.get(zone, ()), at_s)[-1:]
    newest_s = max((row[0] for row in probes), default=-math.inf)
    said = [row for row in probes if at_s < row[0] + PROBE_GAP_S]
    said += [row for row in typed if row[0] >= newest_s and at_s < row[0] + TYPED_S]
    return bool(said) and rule.oven_min_c is not None and min(row[1] for row in said) >= rule.oven_min_c


def until(rows: Rows, at_s: float) -> Rows:
    """The readings up to a moment."""
    return rows[: bisect_right(rows, (at_s, math.inf))]


def with_hand(
    told: Told, shown: tuple[float, float] | None, read: tuple[float, float] | None
) -> tuple[float, float] | None:
    """What somebody read counts against a pack beside what a probe shows, and strictly never for it."""
    if read is None or "by hand" in told.looser:
        return read or shown
    return None if shown is None else (min(shown[0], read[0]), max(shown[1], read[1]))


def paused(
    told: Told, rule: Rule, count: Count, move: Move, shown: tuple[float, float] | None, end_s: float
) -> bool:
    """Whether the rules let the hours stand still here."""
    if move.place in ("bagged", "sealed"):
        return shut(told, rule, count, move, end_s)
    if move.place == "dry-cabinet" and rule.care != "flux":
        reading, most = air_at(told.air.get(move.zone, ()), end_s - 1.0), rule.cabinet_max_rh
        return "cabinet" in told.looser and reading is not None and most is not None and reading[2] <= most
    if move.place not in (*OVENS, "dry-cabinet") or rule.places[move.place] == "runs":
        return False
    wire = "wire" in rule.kind
    if wire and move.place == "holding-oven" and "cold oven" in told.looser:
        return True
    least = rule.quiver_min_c if move.place == "heated-quiver" else rule.oven_min_c
    if wire and least is None and rule.redry is not None and (told.makers_word or "cold oven" in told.looser):
        least = rule.redry["min"]  # heated storage, with the maker's leave for heat
    stands_heat = not wire or told.metal_spool or "plastic" in told.looser
    return stands_heat and shown is not None and least is not None and shown[0] >= least


def shut(told: Told, rule: Rule, count: Count, move: Move, end_s: float) -> bool:
    """Whether a bag, which is all that an opened pack can be sealed in, still protects."""
    if move.place == "sealed" and "sealed again" in told.looser:
        return True
    if rule.bag_h is None or rule.places["bagged"] == "runs" or count.desiccant_s is None:
        return False
    return end_s <= count.desiccant_s + rule.bag_h * HOUR_S


def hold(rule: Rule, count: Count, shown: tuple[float, float] | None, span_s: float) -> None:
    """The looser reading of D1.1 5.3.2.2: what was held before its hours were up is as new."""
    hot = shown is not None and rule.oven_min_c is not None and shown[0] >= rule.oven_min_c
    count.held_s = count.held_s + span_s if hot else 0.0
    if (
        rule.hold_h is not None
        and count.held_s >= rule.hold_h * HOUR_S
        and count.hours < (rule.limit_h or 0.0)
    ):
        count.hours, count.weighted, count.beyond = 0.0, 0.0, False


def air_ratio(told: Told, rule: Rule, count: Count, zone: str, start_s: float) -> tuple[float, bool]:
    """(water of the air, of the test air's; whether the air is known to be no wetter than the test's)."""
    if told.tested_b is not None:
        test_c, test_rh = told.tested_b[1:]
    elif rule.test_c is not None and rule.test_rh is not None:
        test_c, test_rh = rule.test_c, rule.test_rh
    else:
        return 1.0, True
    reading = air_at(told.air.get(zone, ()), start_s)
    if reading is None:
        return count.wettest, "unknown air" in told.looser
    ratio = vapour_pa(reading[1], reading[2]) / vapour_pa(test_c, test_rh)
    count.wettest = max(count.wettest, ratio)
    within = ratio <= 1.0 and (told.tested_b is None or reading[2] <= test_rh)
    return ratio, within


def bake(told: Told, rule: Rule, count: Count, shown: tuple[float, float] | None, span_s: float) -> None:
    """D1.1 5.3.2.4: the slow first step, then the range without a break, shown all the way."""
    bounds = rule.redry
    if bounds is None or count.attempt == "none":
        return
    if shown is None:
        count.attempt = count.attempt if "broken bake" in told.looser else "failed"
        count.hot_s = 0.0
        return
    coldest, hottest = shown
    if hottest > bounds["max"]:
        count.attempt, count.hot_s = "failed", 0.0
        return
    slow_c = bounds.get("ramp_max", -math.inf)
    if hottest <= slow_c:
        count.ramp_s = span_s + (count.ramp_s if count.attempt == "begun" else 0.0)
        count.attempt, count.hot_s = "begun", 0.0
        return
    if count.attempt != "rising":
        stepped = "ramp_max" in bounds and "ramp" not in told.looser
        ready = not stepped or (count.attempt == "begun" and count.ramp_s >= bounds["ramp_time"] * HOUR_S)
        count.attempt, count.hot_s = "rising" if ready else "failed", 0.0
    if count.attempt == "rising":
        baked(told, rule, count, span_s if coldest >= bounds["min"] else None)


def baked(told: Told, rule: Rule, count: Count, span_s: float | None) -> None:
    """So much longer within the range; a proper bake, allowed and not spoiled, is as new."""
    assert rule.redry is not None
    if span_s is None:
        count.hot_s = 0.0
        return
    before_s, count.hot_s = count.hot_s, count.hot_s + span_s
    if not before_s < rule.redry["time"] * HOUR_S <= count.hot_s:
        return
    metal = told.metal_spool or "plastic" in told.looser
    allowed = not rule.makers_word_needed or (told.makers_word and metal)
    spoiled = count.spoiled and "broken bake" not in told.looser
    if allowed and not spoiled and count.rebakes <= rule.redry.get("max_count", math.inf):
        count.hours, count.weighted, count.beyond = 0.0, 0.0, False


def heated(told: Told, rule: Rule, count: Count, move: Move, start_s: float, end_s: float) -> None:
    """What the readings of one piece of a stay show to have been done: a bake begun, or too much heat."""
    if rule.redry is None or ("redry only" in told.looser and move.place != "redry"):
        return
    hottest = hottest_seen(told, move.zone, start_s, end_s)
    melts = "wire" in rule.kind and not told.metal_spool and "plastic" not in told.looser
    if hottest > rule.redry["max"] or (melts and hottest >= rule.redry["min"]):
        count.spoiled = True
    if hottest >= rule.redry["min"]:
        count.rebakes += 0 if count.heated else 1
        count.heated = count.heated_here = True
    elif -math.inf < hottest <= rule.redry.get("ramp_max", -math.inf):
        count.heated = False


def leave(told: Told, rule: Rule, count: Count, move: Move, end_s: float) -> None:
    """What the stay did to the pack though no reading shows it: a bake takes an hour or more."""
    if end_s == move.at_s or move.place != "redry":
        return
    if rule.redry is None:
        count.spoiled |= rule.kind == "covered electrode" and "cellulosic" not in told.looser
        return
    unshown = not count.heated_here and unread_s(told, move, end_s) > BY_HAND_BAKE_S
    if unshown and "unshown bake" not in told.looser:
        count.rebakes += 1
        count.heated = count.heated_here = True


def judge(told: Told, rule: Rule, count: Count, now_s: float) -> Answer:
    """The standing that follows."""
    limit = rule.limit_h
    if told.tested_b is not None and not count.beyond:
        limit = told.tested_b[0]
    if limit is not None and rule.beyond_h is not None and count.beyond:
        limit = min(limit, rule.beyond_h)
    hours = max(count.hours, count.weighted)
    most = math.inf if rule.redry is None else rule.redry.get("max_count", math.inf)
    gone = any(at_s is not None and at_s <= now_s for at_s in (told.wet_s, told.withdrawn_s))
    if gone or count.spoiled or count.rebakes > most:
        standing = WITHDRAW
    elif limit is None or hours <= limit + EXACT_H:
        standing = USABLE
    elif count.rebakes >= most:
        standing = WITHDRAW
    else:
        standing = OVER
    left = None
    if limit is not None:
        left = max(0.0, min(limit - count.hours, (limit - count.weighted) / count.now))
    return Answer(hours, limit, left, standing, count.rebakes)
