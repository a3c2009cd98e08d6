"""The board's own parts as far as the program uses them: bus, ADC, watchdog, reset and sleep."""

import struct
import sys

import simulated
import time

PWRON_RESET, DEEPSLEEP_RESET = 1, 4


def reset_cause():
    return simulated.STATE["cause"]


class Pin:
    def __init__(self, number):
        self.number = number


class WDT:
    def __init__(self, timeout):
        self.timeout = timeout

    def feed(self):
        pass


class ADC:
    """Saturates at one volt unless it was told to measure up to the supply."""

    ATTN_11DB = 3

    def __init__(self, pin, *, atten=0):
        self._most_uv = 3_100_000 if atten == self.ATTN_11DB else 950_000

    def read_uv(self):
        return min(simulated.STATE["battery_uv"], self._most_uv)


def _crc(data):
    """The data sheet's code, written another way: long division over the bits."""
    bits = (0xFF ^ data[0]) << 8 | data[1]
    bits <<= 8
    for place in range(23, 7, -1):
        if bits >> place & 1:
            bits ^= 0x131 << (place - 8)
    return bits & 0xFF


class I2C:
    """A part that measures 0.01 degrees more each time, so that every reading is known by its number."""

    def __init__(self, bus, *, sda, scl, freq):
        self._asked = b""

    def writeto(self, address, command):
        if simulated.STATE["mute"] or address != 0x44:
            raise OSError(19)
        self._asked = command

    def readfrom(self, address, size):
        state = simulated.STATE
        assert (bytes(self._asked), size) == (b"\x24\x00", 6)
        state["measured"] += 1
        state["measured_s"].append(state["true_s"] + time.elapsed_ms() / 1000)
        wrong = state["wrong"] > 0
        state["wrong"] -= wrong
        simulated.save()
        parts = b""
        for hundredths, span, zero in ((1000 + state["measured"], 17500, 4500), (6000, 10000, 0)):
            data = struct.pack(">H", ((hundredths + zero) * 65535 + span - 1) // span)
            parts += data + bytes([_crc(data) ^ (0x10 if wrong else 0)])
        return parts


def deepsleep(ms):
    state = simulated.STATE
    passed_s = (time.elapsed_ms() + ms) / 1000
    state["raw_s"] += passed_s
    state["true_s"] += passed_s
    state["cause"] = DEEPSLEEP_RESET
    state["slept"] += 1
    simulated.save()
    sys.exit(0)
