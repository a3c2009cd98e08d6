"""A process that takes all it is asked to take: `python -m tests.wire.hungry`."""

import time
from typing import Any

from monitor.wire.apart import answer_apart


def take(asked: dict[str, Any]) -> dict[str, Any]:
    held = bytearray(asked["bytes"])
    end_s = time.monotonic() + asked["seconds"]
    while time.monotonic() < end_s:
        pass
    return {"held": len(held), "said": "x" * asked["says"]}


if __name__ == "__main__":
    answer_apart(take)
