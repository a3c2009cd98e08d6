"""The shop's Wi-Fi: there or not."""

import simulated

STA_IF = 0


class WLAN:
    def __init__(self, interface):
        self._joined = False

    def active(self, on):
        pass

    def isconnected(self):
        return self._joined

    def connect(self, name, password):
        self._joined = simulated.STATE["wifi"]
