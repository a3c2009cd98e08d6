"""The process that weighs a new password: `python -m monitor.access.strength_apart`.

Its lists of common passwords take more memory than all accounts, and are wanted a few times a year.
"""

from typing import Any

from zxcvbn import zxcvbn

from monitor.wire.apart import answer_apart

LOOKED_AT = 72  # signs; the library's time grows with the square, and a longer one is as good


def weighed(asked: dict[str, Any]) -> dict[str, Any]:
    """From 0 (guessed at once) to 4."""
    return {"score": zxcvbn(asked["password"][:LOOKED_AT], user_inputs=asked["of"])["score"]}


if __name__ == "__main__":
    answer_apart(weighed)
