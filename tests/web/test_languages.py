"""No text of a page escapes the catalogue: every message in every language, and every page read so."""

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from string import Formatter

import polib
import pytest
import requests
from jinja2 import Environment

from monitor.settings.language import DOMAIN as MESSAGES
from monitor.settings.language import catalogue_file, languages
from monitor.settings.schema import Settings
from monitor.settings.sentences import PAGES as DOMAIN
from monitor.settings.sentences import Sentences
from monitor.web.app import create_app
from monitor.web.frame import page
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.page_language import CODE, HEARD, message_of, parts
from monitor.web.server import Server, serve
from tests.bookkeeper import small_shop
from tests.web import sample
from tests.web.test_shop_units import PAGES

OTHERS = languages()[1:]
TEMPLATES = sorted((Path(page.__file__).parents[1] / "templates").rglob("*.*"))
MORE = ["/numbers", "/api", "/set-aside", "/sensor/slip-1", "/week?zone=gas-cage", "/thing/co2-1", "/nowhere"]
BEGIN, END = "⟦", "⟧"
_WORD = re.compile(r"[^\W\d_]{2,}")


def messages_of(env: Environment, source: str) -> list[str]:
    """The messages of a template as its catalogue has them, in their order."""
    found = (message_of(part) for part in parts(env, source) if not isinstance(part, str))
    return [message for message in found if message is not None]


def template_messages() -> dict[str, str]:
    """Every message of the templates, with one that has it."""
    env = Environment(trim_blocks=True, lstrip_blocks=True)
    return {
        message: file.name
        for file in TEMPLATES
        for message in messages_of(env, file.read_text(encoding="utf-8"))
    }


def catalogue(language: str) -> dict[str, str]:
    return {one.msgid: one.msgstr for one in polib.pofile(str(catalogue_file(language, DOMAIN)))}


def gaps(message: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(message) if name is not None}


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_of_every_template_is_there_in_every_language(language: str) -> None:
    known = catalogue(language)
    missing = {message: file for message, file in template_messages().items() if not known.get(message)}
    assert not missing, f"write these into {catalogue_file(language, DOMAIN)}"


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_fills_no_other_gaps_and_breaks_no_attribute(language: str) -> None:
    for message, said in catalogue(language).items():
        assert gaps(said) <= gaps(message), message
        assert '"' not in said or '"' in message, message
        assert said.count("<") == message.count("<"), message
    assert catalogue(OTHERS[0]).keys() == catalogue(language).keys()


@pytest.mark.parametrize(
    ("source", "messages"),
    [
        ("<p>Made {{ a }}; times in\n {{ b }}.</p>", ["Made {0}; times in {1}."]),
        ('<a title="By {{ who }}" href="/x?{{ y }}" class="big red">Go</a>', ["By {0}", "Go"]),
        ("<p>{% if a %}One{% else %}{{ n }} more{% endif %} left</p>", ["One", "{0} more", "left"]),
        ('<style>a { color: red }</style><script type="m">let a = 1</script><b>Word</b>', ["Word"]),
        ("{% block live %}/live/now{% endblock %}{# a note #}<i>{{ x }} %, 12 &nbsp;</i>", []),
        ("<p title='It&rsquo;s {{ {'a': 1}['a'] }}'>{{ '}}' }} {a}</p>", ["It&rsquo;s {0}", "{0} {{a}}"]),
    ],
)
def test_a_template_is_read_as_people_read_it(source: str, messages: list[str]) -> None:
    assert messages_of(Environment(), source) == messages


class Marked(Sentences):
    """A language in which everything that went through the catalogue stands in marks."""

    def __init__(self) -> None:
        super().__init__({})
        self.say = lambda text: f"{BEGIN}{text}{END}"  # type: ignore[assignment]

    def message(self, message: str) -> str:
        """Marked but for its gaps, whose values are marked by themselves."""
        return f"{BEGIN}{message}{END}"


class Reader(HTMLParser):
    """Collects what people read of a page and what is read out to them."""

    def __init__(self) -> None:
        super().__init__()
        self.read: list[str] = []
        self._silent = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element; what is written in some of its attributes is read as well."""
        self._silent = tag in ("script", "style", "code", "pre")
        self.read += [value for name, value in attrs if value and HEARD.fullmatch(name)]

    def handle_endtag(self, tag: str) -> None:
        """Its end."""
        self._silent = False

    def handle_data(self, data: str) -> None:
        """A text."""
        if not self._silent:
            self.read.append(data)


def unmarked(text: str) -> str:
    """What of a text stands outside of all marks."""
    depth, left = 0, ""
    for sign in text:
        depth += {BEGIN: 1, END: -1}.get(sign, 0)
        left += sign if depth == 0 and sign != END else " "
    return left


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The sample yard, in marks."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "sentences", lambda _: Marked())
        shop = sample.open_shop(tmp_path_factory.mktemp("marked"))
        server = sample.start(shop)
    yield server
    server.stop()
    shop.series.close()
    shop.ledger.close()


@pytest.mark.parametrize("path", [*dict.fromkeys([*PAGES, *MORE])])
def test_no_text_of_a_page_escapes_the_catalogue(yard: Server, path: str) -> None:
    reader = Reader()
    reader.feed(requests.get(yard.url + path, timeout=60).text)
    assert len(reader.read) > 10
    outside = {unmarked(text).strip() for text in reader.read}
    assert not {text for text in outside if _WORD.search(text) and not CODE.fullmatch(text)}


def test_a_sentence_made_in_english_is_said_with_its_names_and_numbers() -> None:
    german = Sentences(
        {
            ".": ",",
            "humid: {0}": "feucht: {0}",
            "since {0}": "seit {0}",
            "Tue {0}": "Di {0}",
            "{0} of {1} h": "{0} von {1} h",
            "wet": "nass",
        }
    )
    assert german.say("humid: 82 %RH") == "feucht: 82 %RH"
    assert german.say("Humid: 14.1 °C, since Tue 05:40.") == "Feucht: 14,1 °C, seit Di 05:40."
    assert german.say("56.1 of 72 h") == "56,1 von 72 h"
    assert german.say("wet; wet") == "nass; nass"
    stranger = "since humid: of h since " * 400  # what a device or a person may send is not looked through
    assert german.say(stranger) == stranger
    for typed in ("Wire Store", "L-3.10-A", "A note {0} by hand", "", "Version 1.2.3"):
        assert german.say(typed) == typed


# What a page may hold beside sentences: what is written the same everywhere.
EVERYWHERE = {
    *("AWS", "ISO", "ISA", "NAMUR", "RFC", "NBS", "OSHA", "CGA", "WAC", "Washington", "Greenspan", "Res"),
    *("UTC", "BST", "CEST", "CET", "PDF", "CSV", "JSON", "MQTT", "SHA", "NaN", "Cel", "degC", "hPa", "ppmv"),
    *("Dryshift", "Europe", "London", "Vienna", "min", "Mosquitto", "PIN", "Mac"),
}
BY_PROGRAMS = ("/api", "/numbers")  # what programs and the sources of numbers are called is English


def marked_catalogue() -> dict[str, str]:
    """A language that says every message of the catalogues in marks, its gaps outside of them."""
    found = {}
    for domain in (MESSAGES, DOMAIN):
        for one in polib.pofile(str(catalogue_file(OTHERS[0], domain))):
            pieces = Formatter().parse(one.msgid)
            found[one.msgid] = "".join(
                (f"{BEGIN}{text.replace('{', '{{').replace('}', '}}')}{END}" if text else "")
                + (f"{{{name}}}" if name is not None else "")
                for text, name, _, _ in pieces
            )
    return found | {".": "."}


def names_of(shop: Settings) -> set[str]:
    """Every word of a name or label of a shop."""
    tables = (shop.sites, shop.zones, shop.sensors, shop.cylinders, shop.plates, shop.packages, shop.people)
    told = [text for table in tables for one in table for text in (one.id, getattr(one, "name", ""))]
    told += [one.name for one in shop.shifts] + [one.id for one in shop.channels]
    return {word for text in told for word in re.findall(r"[^\W\d_]+", text)}


def rack_names(deps: WebDeps) -> set[str]:
    """Every word of a name that somebody entered."""
    return {word for one in deps.rack().values() for word in re.findall(r"[^\W\d_]+", one.name)}


# Sentences that the sample makes up and no part of the product says, and who and what it names.
WRITTEN_BY_THE_SAMPLE = """
Forecast: no answer since, shifts beyond today are not known. 5 sensors a minute. dryshift
Bring tomorrow's plate and cylinders in, stand plate apart. Bag the two spools on the feeders.
an invented weather office, open licence. Ostrander Morgan Reyd. Late Saturday Day late day early
gas and steel wet until about. Keep the bay door shut until and warm the joint past the sweat stage
before welding. Web plate. Gantry
"""


def left_over(html: str, names: set[str]) -> set[str]:
    """The texts of a page with words that neither went through the catalogue nor are names."""
    reader = Reader()
    reader.feed(html)
    found = set()
    for text in reader.read:
        left = re.sub(r"\S*[\d/_@:=.]\S*", " ", unmarked(text))  # labels, addresses, times, hashes
        if set(re.findall(r"[^\W\d_]{3,}", left)) - names - EVERYWHERE:
            found.add(" ".join(text.split())[:300])
    return found


@pytest.fixture(scope="module")
def sentence_shops(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[str, set[str]]]]:
    """The sample yard and the small shop in that language: where each is served, and its names."""
    folder = tmp_path_factory.mktemp("sentences")
    (folder / "yard").mkdir()
    (folder / "small").mkdir()
    spoken = Sentences(marked_catalogue())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "sentences", lambda _: spoken)
        shop = sample.open_shop(folder / "yard")
        yard = sample.start(shop)
        week = small_shop.live_week(folder / "small")
        small_deps = small_shop.deps(week)
        small = serve(create_app(small_deps), "127.0.0.1", 0)
    typed = set(re.findall(r"[^\W\d_]+", WRITTEN_BY_THE_SAMPLE))
    yield {
        "yard": (yard.url, names_of(shop.deps.settings) | typed),
        "small": (small.url, names_of(small_deps.settings) | typed | rack_names(small_deps)),
    }
    yard.stop()
    small.stop()
    shop.series.close()
    shop.ledger.close()


YARD_PAGES = [path for path in dict.fromkeys([*PAGES, *MORE]) if not path.startswith(BY_PROGRAMS)]
SMALL_PAGES = [
    "/",
    "/wall",
    "/alarms",
    "/ahead",
    "/things",
    "/sensors",
    "/service",
    "/gas",
    "/alarms/performance",
]
SMALL_PAGES += [f"/week?week={small_shop.WEEK}", f"/sheet/week?of={small_shop.WEEK}", "/thing/spool-31"]


@pytest.mark.parametrize(
    ("which", "path"), [*(("yard", one) for one in YARD_PAGES), *(("small", one) for one in SMALL_PAGES)]
)
def test_no_sentence_of_a_page_escapes_the_catalogue(
    sentence_shops: dict[str, tuple[str, set[str]]], which: str, path: str
) -> None:
    url, names = sentence_shops[which]
    assert not left_over(requests.get(url + path, timeout=60).text, names)
