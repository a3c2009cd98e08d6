"""What the test says of the board, and what the board did; written at once, since the power may fail."""

import json
import os

_FILE = os.getenv("DRYSHIFT_BOARD")
with open(_FILE) as _file:
    STATE = json.load(_file)


def save():
    with open(_FILE + ".part", "w") as file:
        json.dump(STATE, file)
    os.rename(_FILE + ".part", _FILE)
