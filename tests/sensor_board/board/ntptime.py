"""The time from the network, where it is to be had."""

import simulated
import time

host = ""


def settime():
    if not simulated.STATE["sntp"]:
        raise OSError(110)
    passed_s = time.elapsed_ms() / 1000
    simulated.STATE["raw_s"] = simulated.STATE["true_s"]
    assert passed_s >= 0
    simulated.save()
