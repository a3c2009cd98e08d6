"""A wall sensor: measures air over I2C, keeps every reading in flash until the broker has it, and sleeps.

MicroPython 1.24 or newer on a board with Wi-Fi. Copy it as main.py beside the settings.json that
`dryshift enrol sensor` printed. README.md beside this file says how to build, mount and check one.
"""

import binascii
import json
import os
import socket
import struct
import time
import tls

import machine
import network
import ntptime

DEFAULTS = {
    "every_s": 60,
    "sleep": True,  # deep sleep in between; false on a mains adapter
    "sda": 21,
    "scl": 22,
    "address": 0x44,  # of SHT3x and SHT4x parts
    "command": "2400",  # one measurement of an SHT3x, high repeatability, no stretching; of an SHT4x "fd"
    "battery_pin": None,  # the ADC pin behind the divider; absent: no battery
    "battery_divider": 2.0,
    "battery_empty_v": 3.3,
    "battery_full_v": 4.1,
    "battery": False,  # whether the shop's settings list a battery for this sensor
    "time_host": None,  # absent: the broker's machine
}
SET_FROM_S = 1_704_067_200  # 2024: a clock that says less was never set
EPOCH_S = 946_684_800 if time.gmtime(0)[0] == 2000 else 0  # of boards that count from 2000
WATCHDOG_MS = 120_000  # a hang ends in a reset, after which everything goes on where it was
WIFI_S, ANSWER_S = 20, 15
SUPPLY_MV = 3300  # what an ADC measures against that does not say volts itself
TRIES = 3  # of a measurement whose checksum is wrong
WINDOW = 10  # messages on the way at once
AGAIN_S = 1800  # sent again where the broker may have lost it
REFUSED = 0x80  # reason codes from here on (MQTT 5, 2.4)


class NoReadingError(Exception):
    """The part on the bus gave no answer that its checksum holds."""


# --- the part on the bus (data sheets of the SHT3x and SHT4x: command, wait, six bytes) ---


def checksum(data):
    """CRC-8, polynomial 0x31, first value 0xFF."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x31 if crc & 0x80 else crc << 1
            crc &= 0xFF
    return crc


def measure(bus, address, command):
    """Hundredths of a degree and of a percent; NoReadingError where no try had right checksums."""
    for _ in range(TRIES):
        try:
            bus.writeto(address, command)
            time.sleep_ms(20)
            raw = bus.readfrom(address, 6)
        except OSError:
            continue
        if checksum(raw[0:2]) == raw[2] and checksum(raw[3:5]) == raw[5]:
            warm, damp = struct.unpack(">H", raw[0:2])[0], struct.unpack(">H", raw[3:5])[0]
            if command == b"\xfd":
                return 17500 * warm // 65535 - 4500, min(max(12500 * damp // 65535 - 600, 0), 10000)
            return 17500 * warm // 65535 - 4500, 10000 * damp // 65535
    raise NoReadingError()


# --- the book in flash ---
# Records of one size, each with a checksum, only ever added; a file is begun anew when it is full, and the
# oldest goes when all in it was confirmed, or when there are too many. What a power cut tore is no record.

FORM = "<BBHIqhHHI"  # kind, flags, boot, sequence, time or offset, 0.01 degrees, 0.01 percent, mV, confirmed
BODY = struct.calcsize(FORM)
SIZE = BODY + 4
HEAD, READING, BOOT, CLOCK, CONFIRMED, ONE = 72, 82, 66, 67, 75, 79
DATED = 1  # flag: the time is true; else it is the clock's own, to be moved by its boot's offset
STAMPED, LATER, NEVER = (
    0,
    1,
    2,
)  # with its time, once this boot's clock is set, not if that was not known before
FULL, MOST, LEAST = 128, 64, 2  # records of a file, files, files that stay though all was confirmed


class Book:
    """Readings that wait, what was confirmed, and by how much each boot's clock was off."""

    def __init__(self, folder):
        self.folder = folder
        try:
            os.mkdir(folder)
        except OSError:
            pass
        self.dropped = 0
        self.sequence = self.boot = self.confirmed = self.last_s = 0
        self.offset_s = None  # of this boot
        self.files = sorted(int(n[:-4]) for n in os.listdir(folder) if n.endswith(".log"))
        self.room = 0
        for number in reversed(self.files):  # the newest that holds anything says how things stand
            found = [self._learn(one) for one in self.read(number)]
            if found:
                whole = os.stat(self._path(number))[6] == len(found) * SIZE
                self.room = FULL - len(found) if number == self.files[-1] and whole else 0
                break

    def _path(self, number):
        return f"{self.folder}/{number:08d}.log"

    def read(self, number):
        """The whole records of a file."""
        with open(self._path(number), "rb") as file:
            while True:
                data = file.read(SIZE)
                if len(data) < SIZE:
                    return
                body = data[:BODY]
                if struct.unpack("<I", data[BODY:])[0] == binascii.crc32(body) & 0xFFFFFFFF:
                    yield struct.unpack(FORM, body)

    def _learn(self, record):
        kind, flags, boot, sequence, when, _, _, _, confirmed = record
        if boot != self.boot:
            self.boot, self.offset_s = boot, None
        self.sequence = max(self.sequence, sequence)
        self.confirmed = max(self.confirmed, confirmed)
        if kind == CLOCK:
            self.offset_s = when
        elif flags & DATED:
            self.last_s = when
        return record

    def _add(self, kind, flags=0, sequence=0, when=0, warm=0, damp=0, mv=0):
        if self.room <= 0:
            self._begin()
        body = struct.pack(FORM, kind, flags, self.boot, sequence, when, warm, damp, mv, self.confirmed)
        with open(self._path(self.files[-1]), "ab") as file:
            file.write(body + struct.pack("<I", binascii.crc32(body) & 0xFFFFFFFF))
        self.room -= 1

    def _begin(self):
        """A new file, which says at its head all that must be known without the ones before it."""
        self.files.append(self.files[-1] + 1 if self.files else 1)
        self.room = FULL
        self._add(HEAD, DATED, self.sequence, self.last_s)
        if self.offset_s is not None:
            self._add(CLOCK, when=self.offset_s)
        while len(self.files) > MOST:
            self._drop()
            self.dropped += 1

    def _drop(self):
        os.remove(self._path(self.files[0]))
        self.files.pop(0)

    def power_on(self):
        """A new boot, whose clock may be another."""
        self.boot = (self.boot + 1) & 0xFFFF
        self.offset_s = None
        self._add(BOOT)

    def clock_set(self, offset_s):
        """What this boot measured before the clock was set is dated by this."""
        self.offset_s = offset_s
        self._add(CLOCK, when=offset_s)

    def keep(self, when, dated, warm, damp, mv):
        """A reading, in flash before it is sent; its sequence is given once and for ever."""
        if dated:
            # Two readings of one second would be one to the service.
            when = self.last_s + 1 if 0 <= self.last_s - when < 600 else when
            self.last_s = when
        self.sequence += 1
        self._add(READING, DATED if dated else 0, self.sequence, when, warm, damp, mv)

    def readings(self):
        """All that is there: sequence, time or None, how it may get or got one, numbers, whether it waits."""
        offsets, singly = {}, set()
        for number in self.files:
            for kind, _, boot, sequence, when, _, _, _, _ in self.read(number):
                if kind == CLOCK:
                    offsets[boot] = when
                elif kind == ONE:
                    singly.add(sequence)
        for number in self.files:
            for kind, flags, boot, sequence, own_s, warm, damp, mv, _ in self.read(number):
                if kind == READING:
                    how = STAMPED if flags & DATED else LATER if boot == self.boot else NEVER
                    when = own_s
                    if how != STAMPED:
                        when = own_s + offsets[boot] if boot in offsets else None
                    waits = sequence > self.confirmed and sequence not in singly
                    yield sequence, when, how, (warm, damp, mv), waits

    def confirm(self, upto, singly):
        """The broker has all that could be sent up to a sequence, and one beyond it, unless None."""
        if upto > self.confirmed:
            self.confirmed = upto
            self._add(CONFIRMED)
        if singly is not None and singly > self.confirmed:
            self._add(ONE, sequence=singly)
        while len(self.files) > LEAST and self._is_done(self.files[0]):
            self._drop()

    def _is_done(self, number):
        return all(one[3] <= self.confirmed for one in self.read(number) if one[0] == READING)


# --- the broker (MQTT 5, at QoS 1, over TLS) ---


def text(value):
    """A string as it stands in a packet."""
    data = value.encode()
    return struct.pack(">H", len(data)) + data


def length(number):
    """A variable byte integer."""
    out = b""
    while True:
        number, low = number >> 7, number & 0x7F
        out += bytes([low | 0x80 if number else low])
        if not number:
            return out


class BrokerError(Exception):
    """The broker is not there, or does not take it."""


class Broker:
    """One connection. The session is kept, so that a broker that forgot it is noticed."""

    def __init__(self, told, feed):
        self.told, self.feed, self.most = told, feed, WINDOW
        self.socket = None
        self.session = False

    def connect(self):
        """Log in; BrokerError or OSError where that cannot be done."""
        told = self.told
        plain = socket.socket()
        plain.settimeout(ANSWER_S)
        plain.connect(socket.getaddrinfo(told["host"], told["port"])[0][-1])
        self.socket = plain
        if "ca" in told:
            context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
            context.verify_mode = tls.CERT_REQUIRED
            context.load_verify_locations(binascii.a2b_base64(told["ca"]))
            try:
                self.socket = context.wrap_socket(plain, server_hostname=told["host"])
            except ValueError as error:  # so a certificate is refused
                raise BrokerError(str(error).strip())
        will = b"\x00" + text(told["topic"] + "/state") + text('{"state": "lost"}')
        body = text("MQTT") + b"\x05" + bytes([0xC0 | 0x20 | 0x08 | 0x04]) + struct.pack(">H", 120)
        body += b"\x05\x11" + struct.pack(">I", 86400)  # the session is kept for a day
        body += text(told["user"]) + will + text(told["user"]) + text(told["password"])
        self._send(0x10, body)
        kind, answer = self._receive()
        if kind != 0x20 or len(answer) < 2 or answer[1] >= REFUSED:
            raise BrokerError(f"not let in: 0x{answer[1] if len(answer) > 1 else 0:02x}")
        self.session = bool(answer[0] & 1)
        self._properties(answer[3:])

    def _properties(self, data):
        """Only how many it takes at once is of interest, and it stands before anything longer is missed."""
        sizes = {0x11: 4, 0x21: 2, 0x24: 1, 0x25: 1, 0x27: 4, 0x22: 2, 0x28: 1, 0x29: 1, 0x2A: 1, 0x13: 2}
        while data and data[0] in sizes:
            if data[0] == 0x21:
                self.most = min(self.most, struct.unpack(">H", data[1:3])[0])
            data = data[1 + sizes[data[0]] :]

    def publish(self, topic, payload, packet, retain=False):
        """Send one message on its way."""
        body = text(topic) + struct.pack(">H", packet) + b"\x00" + payload.encode()
        self._send(0x33 if retain else 0x32, body)

    def answer(self):
        """The packet that the broker took; BrokerError where it refuses one."""
        while True:
            kind, data = self._receive()
            if kind == 0x40:
                if len(data) > 2 and data[2] >= REFUSED:
                    raise BrokerError(f"refused: 0x{data[2]:02x}; is it enrolled for this topic?")
                return struct.unpack(">H", data[:2])[0]
            if kind == 0xE0:
                raise BrokerError(f"sent away: 0x{data[0] if data else 0:02x}")

    def close(self):
        """Say goodbye, so that the last will is not published."""
        try:
            self._send(0xE0, b"")
        except OSError:
            pass
        self.drop()

    def drop(self):
        """End the connection."""
        if self.socket is not None:
            self.socket.close()
            self.socket = None

    def _send(self, kind, body):
        data = bytes([kind]) + length(len(body)) + body
        while data:
            sent = self.socket.write(data)
            if not sent:
                raise OSError("nothing more is taken")
            data = data[sent:]

    def _receive(self):
        self.feed()
        kind = self._exactly(1)[0]
        size, shift = 0, 0
        while True:
            byte = self._exactly(1)[0]
            size |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        if size > 4096:
            raise BrokerError(f"an answer of {size} bytes")
        return kind & 0xF0, self._exactly(size)

    def _exactly(self, size):
        data = b""
        while len(data) < size:
            more = self.socket.read(size - len(data))
            if not more:
                raise OSError("the connection ended")
            data += more
        return data


# --- one waking ---


def now_s():
    """Seconds since 1970 by the board's own clock, set or not."""
    return int(time.time()) + EPOCH_S


def clock_is_set():
    """Whether that is a time at all."""
    return now_s() >= SET_FROM_S


class Sensor:
    """Measure, keep, send what waits, sleep."""

    def __init__(self, told):
        self.told = dict(DEFAULTS)
        self.told.update(told)
        try:
            self.feed = machine.WDT(timeout=WATCHDOG_MS).feed
        except ValueError:  # of a board whose watchdog takes no such time
            self.feed = lambda: None
        self.book = Book("readings")
        self.wrong = 0  # measurements that no checksum held
        self.undated = 0  # readings that no time can be given any more
        self.held = self.singly = None

    def wake(self):
        """All that is done between two sleeps; whatever fails is tried again after the next."""
        if machine.reset_cause() != machine.DEEPSLEEP_RESET:
            self.book.power_on()
        # What is measured before the clock is set has no time if the power fails again before it is.
        joined = None if clock_is_set() else self.join_network()
        fresh = self.read_air()
        if joined is None:
            joined = self.join_network()
        try:
            if joined:
                self.send(fresh)
        except (OSError, BrokerError) as error:
            print("not sent, kept:", error)

    def read_air(self):
        """The sequence of the reading that was kept; None where there was none."""
        told = self.told
        bus = machine.I2C(0, sda=machine.Pin(told["sda"]), scl=machine.Pin(told["scl"]), freq=100000)
        when, dated = now_s(), clock_is_set()
        if dated and 0 <= when - self.book.last_s < told["every_s"] / 2:
            return None  # resets that follow each other wear no flash
        try:
            warm, damp = measure(bus, told["address"], binascii.unhexlify(told["command"]))
        except NoReadingError:
            self.wrong += 1
            print("no reading: nothing on the bus, or a wrong checksum")
            return None
        self.book.keep(when, dated, warm, damp, self.battery_mv())
        return self.book.sequence

    def battery_mv(self):
        """At the battery, in millivolts; 0 where none is measured."""
        pin = self.told["battery_pin"]
        if pin is None:
            return 0
        # Some boards measure one volt unless they are told to go up to their supply.
        wide = {"atten": machine.ADC.ATTN_11DB} if hasattr(machine.ADC, "ATTN_11DB") else {}
        adc = machine.ADC(machine.Pin(pin), **wide)
        if hasattr(adc, "read_uv"):
            mv = sum(adc.read_uv() for _ in range(8)) / 8000
        else:
            mv = sum(adc.read_u16() for _ in range(8)) / 8 / 65535 * SUPPLY_MV
        return int(mv * self.told["battery_divider"])

    def join_network(self):
        """Be in the shop's Wi-Fi and ask for the time; false where it is not there after a while."""
        wlan = network.WLAN(network.STA_IF)
        wlan.active(True)
        if not wlan.isconnected():
            wlan.connect(self.told["wifi"], self.told["wifi_password"])
        began = time.ticks_ms()
        while not wlan.isconnected():
            if time.ticks_diff(time.ticks_ms(), began) > WIFI_S * 1000:
                print("no Wi-Fi, kept")
                return False
            time.sleep_ms(50)
        self.feed()
        self.set_clock()
        return True

    def set_clock(self):
        """Ask for the time (SNTP) at every waking, since clocks of small boards drift; go on without it."""
        before, was_set = now_s(), clock_is_set()
        try:
            ntptime.host = self.told["time_host"] or self.told["host"]
            ntptime.settime()
        except (OSError, OverflowError, IndexError) as error:
            print("the clock was not set:", error)
            return
        if not was_set and clock_is_set():
            self.book.clock_set(now_s() - before)

    def send(self, fresh):
        """Everything that waits, the oldest first; what the broker confirmed is written down at the end."""
        broker = Broker(self.told, self.feed)
        on_the_way = {}  # by packet, what the broker has not confirmed yet
        self.held = self.singly = None
        reached = self.book.confirmed
        try:
            broker.connect()
            again_from_s = self.again_from_s(broker.session)
            for sequence, when, how, numbers, waits in self.book.readings():
                if self.is_sent(sequence, when, how, waits, fresh, again_from_s):
                    packet = sequence % 65534 + 1
                    on_the_way[packet] = sequence
                    broker.publish(self.told["topic"], self.message(sequence, when, numbers), packet)
                    while len(on_the_way) >= broker.most:
                        self.taken(on_the_way.pop(broker.answer()))
                reached = max(reached, sequence)
            while on_the_way:
                self.taken(on_the_way.pop(broker.answer()))
            self.say_state(broker)
            broker.close()
        finally:
            broker.drop()
            ends = list(on_the_way.values()) + ([] if self.held is None else [self.held])
            self.book.confirm(min(ends) - 1 if ends else reached, self.singly)

    def is_sent(self, sequence, when, how, waits, fresh, again_from_s):
        """Whether a reading goes out now; `held` is the first that waits for the clock to be set."""
        if when is None and waits and sequence != fresh:
            # Of what time it is nobody knows: as a message of now it would be false. After a power cut nobody
            # ever will.
            if how == LATER and self.held is None:
                self.held = sequence
            self.undated += how == NEVER
            return False
        # What went out without a time is not sent again with one: it would be another reading.
        return waits or (how == STAMPED and when >= again_from_s)

    def taken(self, sequence):
        """The broker has it; what lies beyond one that is held is written down by itself."""
        if self.held is not None and sequence > self.held:
            self.singly = sequence

    def again_from_s(self, session):
        """From when on confirmed readings are sent again: the broker forgot us, or was away the last time.

        What it confirms is in its memory and not yet on its disk; the service takes a repeat once.
        """
        backlog = self.book.sequence - self.book.confirmed > 1
        return now_s() + (-AGAIN_S if clock_is_set() and (backlog or not session) else AGAIN_S)

    def message(self, sequence, when, numbers):
        """The own format of shared/messages/; without a time where the clock was never set."""
        warm, damp, mv = numbers
        said = {
            "sequence": sequence,
            "quantities": {
                "air_temperature": {"value": warm / 100, "unit": "Cel"},
                "relative_humidity": {"value": damp / 100, "unit": "%RH"},
            },
        }
        if when is not None:
            said["time"] = when
        if mv:
            said["battery_v"] = mv / 1000
            if self.told["battery"]:
                empty, full = self.told["battery_empty_v"], self.told["battery_full_v"]
                share = min(max((mv / 1000 - empty) / (full - empty), 0), 1)
                said["quantities"]["battery"] = {"value": round(100 * share), "unit": "%EL"}
        return json.dumps(said)

    def say_state(self, broker):
        """Retained, below its topic: that it sleeps, or what is wrong with it. The last will says "lost"."""
        said = {"state": "asleep" if self.told["sleep"] else "online"}
        if self.wrong:
            said["wrong_checksums"] = self.wrong
        if self.undated:
            said["undated"] = self.undated
        if self.book.dropped:
            said["files_dropped"] = self.book.dropped
        broker.publish(self.told["topic"] + "/state", json.dumps(said), 65535, retain=True)
        broker.answer()

    def run(self):
        """For ever: a deep sleep ends in a reset, which begins here anew."""
        while True:
            began = time.ticks_ms()
            self.wake()
            left_ms = max(1000, int(self.told["every_s"] * 1000) - time.ticks_diff(time.ticks_ms(), began))
            if self.told["sleep"]:
                machine.deepsleep(left_ms)
            while left_ms > 0:
                self.feed()
                time.sleep_ms(min(left_ms, 10_000))
                left_ms -= 10_000


def main():
    """Begin with the settings that were flashed."""
    with open("settings.json") as file:
        told = json.load(file)
    Sensor(told).run()


if __name__ == "__main__":
    main()
