"""How often the service's exposure clock is milder than the plain, strict rules, over random histories.

Run it: python tests/bench/strictness_bench.py [HISTORIES]

It prints how many of the histories came out milder and by which looser reading of the texts, and how many
changes that no rule rewards (one exposure more, a sensor less, …) made a verdict milder.
"""

import random
import sys
from collections import Counter

from tests.consumables import plain_rules as rules
from tests.consumables.as_served import service
from tests.consumables.harsher import CHANGES
from tests.consumables.judging import KEPT_NAMES, milder, milder_than_before, readings_behind
from tests.consumables.plain_evidence import READINGS
from tests.consumables.plans import Plan, plain
from tests.consumables.random_histories import random_plan

HISTORIES = 10_000


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else HISTORIES
    tally: Counter[str] = Counter()
    behind: Counter[str] = Counter()
    broken: Counter[str] = Counter()
    for seed in range(count):
        plan = random_plan(seed)
        found = service(plan)
        kinds = milder(found, plain(plan))
        tally.update(kinds)
        if kinds:
            tally["milder"] += 1
            tally["unnamed"] += bool(milder(found, plain(plan, KEPT_NAMES)))
            behind.update(readings_behind(found, plan))
        for number, (name, change) in enumerate(CHANGES.items()):
            other = change(random.Random(seed * len(CHANGES) + number), plan)
            if other is not None:
                _changed(name, (plan, other, found), (tally, broken))
    print(f"{count} histories, {tally['milder']} milder than the strict reading")
    print(
        f"  {tally['unnamed']} of them not by the readings kept on purpose: {', '.join(sorted(KEPT_NAMES))}"
    )
    print(f"  standing {tally['standing']}, hours {tally['hours']}, hours left {tally['left']}")
    for name, number in behind.most_common():
        print(f"  {number:6d}  {READINGS.get(name, 'by no reading named here')}")
    print(f"{tally['changes']} changes that no rule rewards, {sum(broken.values())} made a verdict milder")
    print(f"  ({tally['rewarded']} more took away what had harmed the pack, and are no test)")
    for name, number in broken.most_common():
        print(f"  {number:6d}  {name}")


def _changed(
    name: str, case: tuple[Plan, Plan, rules.Answer], counters: tuple[Counter[str], Counter[str]]
) -> None:
    plan, other, found = case
    tally, broken = counters
    tally["changes"] += 1
    if milder_than_before(service(other), found):
        if milder_than_before(plain(other), plain(plan)):
            tally["rewarded"] += 1
        else:
            broken[name] += 1


if __name__ == "__main__":
    main()
