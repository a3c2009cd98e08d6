"""Says in the shop's language what was worded in English elsewhere: whole sentences, their names and numbers.

The core words its reasons once, in English, and keeps them so in record and interface. Where people read,
a sentence is found again in the catalogue by its fixed words ("humid: {0}"); what stands in its gaps is said
the same way. What the catalogue does not hold stays as it is: names, labels, what somebody typed.
"""

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from string import Formatter

import polib

from monitor.settings.language import DOMAIN, ENGLISH, catalogue_file

PAGES = "pages"
DECIMAL_MARK = "."
DEEPEST = 9  # sentences within gaps of sentences
KEPT = 20_000
LONGEST_SAID = 1_500  # what is longer no part of the product wrote, and it costs time to look through
LEAST_FIXED = 3  # letters that a message with gaps must have, to be known again by them
_GAP = re.compile(r"\{\w+\}")
_UNIT = "°C|°F|K|h|%RH|%|mm|cm|m|kg|g|bar|hPa|Pa|min|s|g/m²|m/s|l/min|in"
_NUMBER = re.compile(rf"[<>≤≥~±+−-]?\d+\.\d+([\s\N{{NO-BREAK SPACE}}]?({_UNIT}))?")
_STOPS = (".", ";", ":", "!", "?", ",")
# What a gap holds: no comma and no second sentence if that fits, else one sentence, else anything.
_INSIDE = ("(?:(?!,\\s|[.;!?]\\s|\\n).)", "(?:(?![.;!?]\\s|\\n).)", "(?s:.)")
_GAP_HERE = "\0"
_NAME, _SENTENCE, _ANYTHING = range(3)
_SENTENCES = re.compile(r"(?<=[.;!?])\s+|\s*\n\s*")
_BESIDE = re.compile(r"(.*\S) \(([^()]*(?:\([^()]*\)[^()]*)*)\)([.;:,]?)")  # with what stands in brackets
_AFTER = re.compile(r"(?<=:)\s+")


class Shape:
    """A message with gaps: its longest fixed part, what fits it, and what is said for it."""

    def __init__(self, message: str, said: str) -> None:
        fixed: list[str] = []
        pattern = ""
        self._names: list[str] = []
        if message.endswith("."):  # the stop of a sentence is said by itself
            message, said = message[:-1], said.removesuffix(".")
        self._said = said
        for literal, name, _, _ in Formatter().parse(_plain(message)):
            fixed.append(literal)
            pattern += re.escape(literal)
            if name in self._names:
                pattern += f"(?P=g{self._names.index(name)})"
            elif name is not None:
                pattern += f"(?P<g{len(self._names)}>{_GAP_HERE}*?)"
                self._names.append(name)
        self.fixed = max(fixed, key=len)
        self.letters = sum(letter.isalpha() for part in fixed for letter in part)
        self.fits = tuple(re.compile(pattern.replace(_GAP_HERE, inside)) for inside in _INSIDE)

    def filled(self, gaps: Iterable[str]) -> str:
        """What is said, with the gaps by their names or numbers."""
        given = dict(zip(self._names, gaps, strict=True))
        numbered = [given.get(str(n), "") for n in range(len(given))]
        return self._said.format(
            *numbered, **{name: gap for name, gap in given.items() if not name.isdigit()}
        )


class Sentences:
    """One language; `texts` gives each message's translation."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        whole = {_plain(message): said for message, said in texts.items() if not _GAP.search(message)}
        # where a sentence ends a longer one its stop is the longer one's
        short = {
            message[:-1]: said.removesuffix(".") for message, said in whole.items() if message[-1:] == "."
        }
        self._whole = short | whole
        self._texts = dict(texts)
        found = (Shape(message, said) for message, said in texts.items() if _GAP.search(message))
        known = (one for one in found if one.letters >= LEAST_FIXED)
        self._with_gaps = sorted(known, key=lambda one: -one.letters)
        self._mark = texts.get(DECIMAL_MARK, DECIMAL_MARK)
        self.say = lru_cache(KEPT)(self._say)

    def message(self, message: str) -> str:
        """A message as it stands in the catalogue, its gaps still open."""
        return self._texts.get(message) or message

    def _say(self, text: str) -> str:
        return text if len(text) > LONGEST_SAID else self._said(text, 0)

    def _said(self, text: str, depth: int) -> str:
        if not text or depth > DEEPEST:
            return text
        said = self._whole_sentence(text, depth)
        if said is not None:
            return said
        beside = _BESIDE.fullmatch(text)
        if beside is not None and (said := self._whole_sentence(beside[1], depth + 1)) is not None:
            return f"{said} ({self._said(beside[2], depth + 1)}){beside[3]}"
        if _SENTENCES.search(text):
            each = [self._whole_sentence(piece, depth + 1) for piece in _SENTENCES.split(text)]
            said = None if None not in each else self._found(text, depth, _ANYTHING)
            return self._pieces(text, _SENTENCES, depth + 1) if said is None else said
        return self._in_part(text, beside, depth + 1)

    def _in_part(self, text: str, beside: re.Match[str] | None, depth: int) -> str:
        """A sentence that is no message: its parts, as far as they are."""
        if beside is not None:
            return f"{self._said(beside[1], depth)} ({self._said(beside[2], depth)}){beside[3]}"
        parts = _apart(text)
        if len(parts) > 1:
            return ", ".join(self._said(part, depth) for part in parts)
        return self._pieces(text, _AFTER, depth) if _AFTER.search(text) else text

    def _whole_sentence(self, text: str, depth: int) -> str | None:
        """A text that is one message, or several with commas between them."""
        said = self._found(text, depth, _NAME)
        if said is not None or _SENTENCES.search(text):
            return said
        parts = _apart(text)
        each = [self._found(part, depth + 1, _NAME) for part in parts] if len(parts) > 1 else [None]
        if None not in each:
            return ", ".join(map(str, each))
        return None if any(each) else self._found(text, depth, _SENTENCE)

    def _pieces(self, text: str, between: re.Pattern[str], depth: int) -> str:
        at, found = 0, ""
        for end in between.finditer(text):
            found += self._said(text[at : end.start()], depth) + end.group()
            at = end.end()
        return found + self._said(text[at:], depth)

    def _found(self, text: str, depth: int, gaps: int) -> str | None:
        """The text as one message in this language; None where the catalogue has none that fits it."""
        plain = _plain(text)
        said = self._message_of(plain, depth, gaps)
        if said is None:
            return None
        return text[: len(text) - len(text.lstrip())] + said + text[len(text.rstrip()) :]

    def _message_of(self, text: str, depth: int, gaps: int) -> str | None:
        said = self._whole.get(text)
        if said is not None:
            return said
        if _NUMBER.fullmatch(text):
            return text.replace(DECIMAL_MARK, self._mark, 1)
        if text[-1:] in _STOPS and (said := self._message_of(text[:-1], depth, gaps)) is not None:
            return said + text[-1]
        begun = text[:1].lower() + text[1:]  # a sentence begins with a capital though its message does not
        if begun != text and begun in self._whole:
            return _capital(self._whole[begun])
        for one in self._with_gaps:
            for told in (text, begun):
                if one.fixed in told and (match := one.fits[gaps].fullmatch(told)) is not None:
                    said = one.filled(self._said(gap, depth + 1) for gap in match.groups())
                    return said if told == text else _capital(said)
        return None


def _apart(text: str) -> list[str]:
    """What stands between the commas outside of brackets."""
    found: list[str] = []
    depth = 0
    for piece in text.split(", "):
        if depth > 0:
            found[-1] += f", {piece}"
        else:
            found.append(piece)
        depth = max(depth, 0) + piece.count("(") - piece.count(")")
    return found


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _plain(text: str) -> str:
    return " ".join(text.split())


@lru_cache
def sentences(language: str) -> Sentences | None:
    """The sentences of a language; None for English, in which everything is worded."""
    if language == ENGLISH:
        return None
    texts: dict[str, str] = {}
    for domain in (DOMAIN, PAGES):
        file = catalogue_file(language, domain)
        if file.is_file():
            texts |= {
                one.msgid: one.msgstr for one in polib.pofile(str(file)) if one.msgstr and not one.obsolete
            }
    return Sentences(texts)
