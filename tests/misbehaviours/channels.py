"""Every way in which we talk to another machine, each as one attempt that says in a word what came of it."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.clock import SystemClock, monotonic_s
from monitor.model.errors import InputError
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.notify.alive import HeartbeatError, beat
from monitor.notify.email import EmailSender
from monitor.notify.mqtt_state import MqttMessageSender
from monitor.notify.outcome import Delivered, Partly, Refused, Sender
from monitor.notify.push import PushSender
from monitor.notify.web_push import WebPushSender
from monitor.notify.webhook import WebhookSender
from monitor.settings.schema import Channel, InfluxSection, MqttSection
from monitor.store.folder_beside import BesideInFolder
from monitor.store.influx.link import InfluxLink, InfluxUnavailableError
from monitor.store.phone_book import PhoneBook
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.weather.calendar_source import CalendarPlace, read_calendar
from monitor.weather.fetch import Fetcher, FetchState
from monitor.weather.locationforecast import Locationforecast
from monitor.weather.provider import ForecastPlace
from monitor.weather.site import known_terms
from monitor.wire.http import HttpLimits
from tests.misbehaviours.servers import Misbehaviour
from tests.notify.test_senders import NOTE, NOW_S, SECRET
from tests.notify.test_web_push import CHANNEL, Browser

TOTAL_S = 1.5  # of one attempt
FETCH_BYTES = 300_000
LIMITS = HttpLimits(TOTAL_S, FETCH_BYTES, 3)
ASK_AGAIN = {408, 409, 425, 429}
ANN, BOB = "ann@ferrymoor.example", "bob@ferrymoor.example"


@dataclass(frozen=True)
class Way:
    """`attempt(port, scheme, folder)` gives the outcome; `expected` says what it must be by HTTP."""

    name: str
    attempt: Callable[[int, str, Path], str]
    expected: Callable[[Misbehaviour], str]
    total_s: float = TOTAL_S
    most_bytes: int = 64 * 1024
    every: bool = True  # the whole list, else one of each kind: it costs a process each


def sent(sender: Sender) -> str:
    match sender.send(NOTE, NOW_S):
        case Delivered():
            return "delivered"
        case Partly(reached, missed):
            return f"{len(reached)} delivered, {len(missed)} alone"
        case Refused():
            return "refused"
    return "again"


def by_status(how: Misbehaviour) -> str:
    """RFC 9110 15: only 2xx is a receipt, and it says so in its head."""
    if how.status is None:
        return "again"
    if 200 <= how.status < 300:
        return "delivered"
    return "refused" if 300 <= how.status < 500 and how.status not in ASK_AGAIN else "again"


def if_read_whole(how: Misbehaviour) -> str:
    """The notification library reads the body before it believes the head."""
    return "delivered" if how.whole and how.status in (200, 201, 202, 204) else "again"


def webhook(port: int, scheme: str, folder: Path) -> str:
    return sent(WebhookSender(f"{scheme}://127.0.0.1:{port}/", SECRET, TOTAL_S))


def push(port: int, scheme: str, folder: Path) -> str:
    return sent(PushSender(f"{'jsons' if scheme == 'https' else 'json'}://127.0.0.1:{port}/", PUSH_S))


def web_push(port: int, scheme: str, folder: Path) -> str:
    book = PhoneBook(BesideInFolder(folder))
    try:
        book.keep(Browser(f"{scheme}://127.0.0.1:{port}/", "Ann").phone)
        channel = CHANNEL.model_copy(update={"timeout_s": TOTAL_S})
        return sent(WebPushSender(channel, book))
    finally:
        book.close()


def heartbeat(port: int, scheme: str, folder: Path) -> str:
    try:
        beat(f"{scheme}://127.0.0.1:{port}/", TOTAL_S)
    except HeartbeatError:
        return "no beat"
    return "beat"


def document(port: int, scheme: str, folder: Path) -> str:
    found = Fetcher(folder, "dryshift", LIMITS).get(f"{scheme}://127.0.0.1:{port}/", NOW_S, 600.0)
    return "fetched" if found.state is FetchState.FRESH else "missing"


def weather(port: int, scheme: str, folder: Path) -> str:
    terms = replace(known_terms()["met-norway"], base_url=f"{scheme}://127.0.0.1:{port}")
    place = ForecastPlace(54.9, -1.4, 10.0, "lead@example.org")
    return str(Locationforecast(place, terms, Fetcher(folder, "dryshift", LIMITS)).forecast(NOW_S).state)


def calendar(port: int, scheme: str, folder: Path) -> str:
    place = CalendarPlace(f"{scheme}://127.0.0.1:{port}/x.ics", "yard", ZoneInfo("Europe/London"))
    try:
        read_calendar(place, Fetcher(folder, "dryshift", LIMITS), NOW_S)
    except InputError:
        return "no calendar"
    return "read"


def _link(port: int, scheme: str) -> InfluxLink:
    return InfluxLink(InfluxSection(url=f"{scheme}://127.0.0.1:{port}", timeout_s=TOTAL_S))


def shipper(port: int, scheme: str, folder: Path) -> str:
    link = _link(port, scheme)
    try:
        refused = link.write(["reading,zone=slip,source=s1 temperature=12.5 1788912000000"])
    except InfluxUnavailableError:
        return "again"
    finally:
        link.close()
    return "not taken" if refused else "taken"


def question(port: int, scheme: str, folder: Path) -> str:
    link = _link(port, scheme)
    try:
        link.ask("SELECT last(temperature) FROM reading", "reading")
    except InfluxUnavailableError:
        return "no answer"
    finally:
        link.close()
    return "answered"


def mail_server(port: int, scheme: str) -> Channel:
    return Channel(
        id="mail",
        kind="email",
        url=f"{scheme}://127.0.0.1:{port}",
        sender="dryshift@ferrymoor.example",
        to=(ANN, BOB),
        username="dryshift",
        starttls=False,
        timeout_s=TOTAL_S,
    )


def mail(port: int, scheme: str, folder: Path) -> str:
    return sent(EmailSender(mail_server(port, {"http": "smtp", "https": "smtps"}[scheme])))


def mqtt_state(port: int, scheme: str, folder: Path) -> str:
    """Tried until the broker has let us in, or for a while: a broker that is away is not waited for."""
    settings = MqttSection(broker="external", host="127.0.0.1", port=port)
    store = SqliteSeriesStore(folder / "series.sqlite")
    session = IngestSession(settings, SensorCatalogue({}), store, SystemClock())
    sender = MqttMessageSender("dryshift/{site}/lamp", session.publish)
    session.start()
    try:
        for _ in range(20):
            start_s = monotonic_s()
            outcome = sent(sender)
            if outcome == "delivered" or monotonic_s() - start_s > 1.0:
                break
            threading.Event().wait(0.05)
        return outcome
    finally:
        session.stop()
        store.close()


def _by_shipper(how: Misbehaviour) -> str:
    if how.status in (400, 413, 422) and how.whole:
        return "not taken"
    return "taken" if how.whole and how.status is not None and 200 <= how.status < 300 else "again"


def _fetched(how: Misbehaviour) -> str:
    return "fetched" if how.whole and how.status in (200, 203) else "missing"


def _forecast(how: Misbehaviour) -> str:
    return "broken" if _fetched(how) == "fetched" else "away"


PUSH_S = 12.0  # an interpreter starts in it
BY_HTTP = (
    Way("webhook", webhook, by_status),
    Way("push", push, if_read_whole, PUSH_S, 900 * 1024 * 1024, every=False),
    Way("web push", web_push, by_status),
    Way("heartbeat", heartbeat, lambda how: "beat" if how.status and 200 <= how.status < 300 else "no beat"),
    Way("document", document, _fetched, most_bytes=FETCH_BYTES),
    Way("weather", weather, _forecast, most_bytes=FETCH_BYTES),
    Way("calendar", calendar, lambda how: "no calendar", most_bytes=FETCH_BYTES),
    Way("influx write", shipper, _by_shipper),
    Way("influx question", question, lambda how: "no answer", most_bytes=64 * 1024 * 1024),
)  # fmt: skip
MQTT_WAY = Way("mqtt", mqtt_state, lambda how: "again", 12.0, 64 * 1024 * 1024)
MAIL = Way("mail", mail, lambda how: "again")


def by_smtp(verb: str, reply: str) -> str:
    """RFC 5321 4.2.1: 5yz never, any other that is no yes is asked again; a recipient is one alone."""
    if not reply.isdigit():
        alone = verb in ("RCPT", "RCPT2") and reply in ("no code", "odd bytes")
        return "1 delivered, 1 alone" if alone else "again"
    if verb == "AUTH" and reply == "503":
        return "delivered"  # already logged in, says RFC 4954 4
    if verb in ("RCPT", "RCPT2") and reply != "421":
        return "1 delivered, 1 alone"
    if verb == "EHLO" and reply[0] == "2":
        return "refused"  # it offers no log-in, and the settings want one
    return "refused" if reply[0] == "5" else "again"
