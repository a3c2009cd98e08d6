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

from monitor.settings.language import catalogue_file, languages
from monitor.settings.sentences import PAGES as DOMAIN
from monitor.settings.sentences import Sentences
from monitor.web.frame import page
from monitor.web.frame.page_language import CODE, HEARD, message_of, parts
from monitor.web.server import Server
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
        left += sign if depth == 0 and sign != END else ""
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
    for typed in ("Wire Store", "L-3.10-A", "A note {0} by hand", "", "Version 1.2.3"):
        assert german.say(typed) == typed
