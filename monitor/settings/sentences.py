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
DEEPEST = 4  # sentences within gaps of sentences
KEPT = 20_000
LEAST_FIXED = 3  # letters that a message with gaps must have, to be known again by them
_GAP = re.compile(r"\{\w+\}")
_UNIT = "°C|°F|K|h|%RH|%|mm|cm|m|kg|g|bar|hPa|Pa|min|s|g/m²|m/s|l/min|in"
_NUMBER = re.compile(rf"[<>≤≥~±+−-]?\d+\.\d+([\s\N{{NO-BREAK SPACE}}]?({_UNIT}))?")
_STOPS = (".", ";", ":", "!", "?", ",")
_ENDS = re.compile(r"(?<=[.;:!?)])\s+|\s*[\n,]\s+|, ")


class Shape:
    """A message with gaps: its longest fixed part, what fits it, and what is said for it."""

    def __init__(self, message: str, said: str) -> None:
        fixed: list[str] = []
        pattern = ""
        self._names: list[str] = []
        self._said = said
        for literal, name, _, _ in Formatter().parse(_plain(message)):
            fixed.append(literal)
            pattern += re.escape(literal)
            if name in self._names:
                pattern += f"(?P=g{self._names.index(name)})"
            elif name is not None:
                pattern += f"(?P<g{len(self._names)}>.*?)"
                self._names.append(name)
        self.fixed = max(fixed, key=len)
        self.letters = sum(letter.isalpha() for part in fixed for letter in part)
        self.fits = re.compile(pattern, re.DOTALL)

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
        self._whole = {_plain(message): said for message, said in texts.items() if not _GAP.search(message)}
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
        return self._said(text, 0)

    def _said(self, text: str, depth: int) -> str:
        if not text or depth > DEEPEST:
            return text
        whole = self._found(_plain(text), depth)
        if whole is not None:
            before = text[: len(text) - len(text.lstrip())]
            return before + whole + text[len(text.rstrip()) :]
        at, pieces = 0, []
        for end in _ENDS.finditer(text):
            pieces += [text[at : end.start()], end.group()]
            at = end.end()
        if not pieces:
            return text
        pieces.append(text[at:])
        return "".join(piece if n % 2 else self._said(piece, depth + 1) for n, piece in enumerate(pieces))

    def _found(self, text: str, depth: int) -> str | None:
        """The whole text in this language; None where the catalogue has no message for it."""
        said = self._whole.get(text)
        if said is not None:
            return said
        if _NUMBER.fullmatch(text):
            return text.replace(DECIMAL_MARK, self._mark, 1)
        for one in self._with_gaps:
            if one.fixed in text and (match := one.fits.fullmatch(text)) is not None:
                return one.filled(self._said(gap, depth + 1) for gap in match.groups())
        if text[-1:] in _STOPS and (said := self._found(text[:-1], depth)) is not None:
            return said + text[-1]
        begun = text[:1].lower() + text[1:]
        if begun != text and (said := self._found(begun, depth)) is not None:
            return said[:1].upper() + said[1:]
        return None


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
