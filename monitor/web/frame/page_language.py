"""Reads a template's texts as messages of the catalogue, so that no template needs marks for them.

A template is HTML with gaps. A stretch of text with the expressions in it is one message, such as
"Made {0}; times in {1}", and so is the value of an attribute that people read or hear; before a template is
compiled each becomes a call that says it in the shop's language, and so does an expression between tags.
"""

import json
import re
from collections.abc import Callable, Iterator

from jinja2 import Environment
from jinja2.ext import Extension
from markupsafe import Markup, escape

from monitor.model.shop_units import in_clock
from monitor.settings.sentences import Sentences

HEARD = re.compile(
    r"title|aria-label|aria-description|alt|placeholder"
    r"|data-(label|waits|refused|again|seen|full|unreachable|new|shut|unable|then|said(-[a-z]+)?)"
)
_LETTER = re.compile(r"[^\W\d_]")
_ENTITY = re.compile(r"&#?\w+;")
CODE = re.compile(r"[\w./?=&#:,-]*\w[./?=:_]\w[\w./?=&#:,-]*|[/?]\S*|\w+=,?")  # addresses, names of settings
_ATTRIBUTE = re.compile(r"([\w:-]+)\s*=\s*$")
_SILENT = re.compile(r"(script|style)\b")
_ADDRESS = re.compile(r"\{%-?\s*block\s+(live|body_class)\b")  # blocks that stand inside a tag of the frame
_BLOCK_END = re.compile(r"\{%-?\s*endblock\b")

Piece = tuple[str, str]  # "text" or "expression", as written
Run = list[Piece]  # what people read together
TEXT, TAG, VALUE, SILENT = "text", "tag", "value", "silent"


class PageLanguage(Extension):
    """Rewrites a template's source before it is compiled."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """The same template, its texts as calls of `say_text` and its values as calls of `say`."""
        return "".join(
            part if isinstance(part, str) else _called(part) for part in parts(self.environment, source)
        )


def speak(env: Environment, language: Sentences | None, *, twelve: bool = False) -> None:
    """Make an environment's templates speak a language; None: English, as they are written.

    `twelve`: times of day on a clock of twelve hours.
    """
    env.filters["typed"] = lambda text: Markup(escape(text))
    if language is None and not twelve:
        return
    language = language or Sentences({})

    def say(value: object) -> object:
        if isinstance(value, Markup) or not isinstance(value, str):
            return value
        return in_clock(language.say(value), twelve=twelve)

    def say_text(message: str, *given: object) -> Markup:
        return Markup(language.message(message).format(*(escape(say(value)) for value in given)))

    env.globals.update(say=say, say_text=say_text)
    env.add_extension(PageLanguage)


def message_of(run: Run) -> str | None:
    """The message of a run; None where it holds no word of its own."""
    words = "".join(text for kind, text in run if kind == "text").strip()
    if not _LETTER.search(_ENTITY.sub("", words)) or CODE.fullmatch(words):
        return None
    count, found = 0, ""
    for kind, text in run:
        if kind == "expression":
            found += f"{{{count}}}"
            count += 1
        else:
            found += text.replace("{", "{{").replace("}", "}}")
    return " ".join(found.split())


def _called(run: Run) -> str:
    message = message_of(run)
    if message is None:
        return "".join(text if kind == "text" else f"{{{{ say({_inside(text)}) }}}}" for kind, text in run)
    whole = "".join(text if kind == "text" else "x" for kind, text in run)
    before, after = whole[: len(whole) - len(whole.lstrip())], whole[len(whole.rstrip()) :]
    given = "".join(f", {_inside(text)}" for kind, text in run if kind == "expression")
    return f"{before}{{{{ say_text({json.dumps(message)}{given}) }}}}{after}"


def _inside(written: str) -> str:
    return f"({written[2:-2].strip('-+ ')})"


def parts(env: Environment, source: str) -> Iterator[str | Run]:
    """The template in pieces: markup and statements as they stand, and what people read as runs."""
    reader = Reader()
    for kind, text in _pieces(env, source):
        yield from reader.read(kind, text)
    yield from reader.ended()


def _pieces(env: Environment, source: str) -> Iterator[Piece]:
    held: list[str] = []
    for _, kind, value in env.lexer.tokeniter(source, None):
        held.append(value)
        if kind == "data" and len(held) == 1:
            yield "text", held.pop()
        elif kind in ("variable_end", "block_end", "comment_end", "raw_end"):
            yield "expression" if kind == "variable_end" else "statement", "".join(held)
            held = []


class Reader:
    """Where in the HTML a template is, from one piece of it to the next."""

    def __init__(self) -> None:
        self._run: Run = []
        self._state = TEXT
        self._tag = ""  # what was read of the tag
        self._quote = ""  # of the value that is being read
        self._heard = False  # whether people read that value
        self._element = ""  # whose text is none
        self._address = False  # in a block that holds no text

    def read(self, kind: str, text: str) -> Iterator[str | Run]:
        """The pieces that this one ends or is."""
        if kind == "statement" and (_ADDRESS.match(text) or (self._address and _BLOCK_END.match(text))):
            self._address = not self._address
        if self._address:
            yield from self.ended()
            yield text
        elif kind == "text":
            step: dict[str, Callable[[str], Iterator[str | Run]]]
            step = {TEXT: self._text, TAG: self._in_tag, VALUE: self._value, SILENT: self._silent}
            self._left = text
            while self._left:
                yield from step[self._state](self._left)
        elif kind == "expression" and (self._state == TEXT or (self._state == VALUE and self._heard)):
            self._run.append((kind, text))
        else:
            if kind == "statement":
                yield from self.ended()
            yield text

    def ended(self) -> Iterator[Run]:
        """The run read so far, if any."""
        if self._run:
            yield self._run
            self._run = []

    def _text(self, text: str) -> Iterator[str | Run]:
        taken, tag, self._left = text.partition("<")
        if taken:
            self._run.append(("text", taken))
        if tag:
            yield from self.ended()
            self._state, self._tag = TAG, ""
            yield tag

    def _in_tag(self, text: str) -> Iterator[str | Run]:
        found = re.search(r"[\"'>]", text)
        end = len(text) if found is None else found.end()
        yield text[:end]
        self._left = text[end:]
        self._tag += text[:end]
        if found is None:
            return
        if found.group() == ">":
            silent = _SILENT.match(self._tag)
            self._state = SILENT if silent else TEXT
            self._element = silent.group(1) if silent else ""
            return
        name = _ATTRIBUTE.search(self._tag[:-1])
        self._state, self._quote = VALUE, found.group()
        self._heard = name is not None and HEARD.fullmatch(name.group(1)) is not None

    def _value(self, text: str) -> Iterator[str | Run]:
        taken, quote, self._left = text.partition(self._quote)
        if self._heard and taken:
            self._run.append(("text", taken))
        elif taken:
            yield taken
        if quote:
            yield from self.ended()
            self._state = TAG
            yield quote

    def _silent(self, text: str) -> Iterator[str | Run]:
        end = text.find(f"</{self._element}")
        if end < 0:
            yield text
            self._left = ""
            return
        yield text[:end] + "<"
        self._left, self._state, self._tag = text[end + 1 :], TAG, ""
