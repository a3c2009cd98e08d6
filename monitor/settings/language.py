"""Reads the message catalogues of `shared/locale`: other languages are files, English is in the code."""

from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

import polib

from monitor.model.errors import Fault, InputError
from monitor.settings.reference import shared_folder

ENGLISH = "en"
DOMAIN = "dryshift"


def catalogue_file(language: str, domain: str = DOMAIN) -> Path:
    """Where a language's catalogue lies; that of messages where no domain is named."""
    return shared_folder() / "locale" / language / "LC_MESSAGES" / f"{domain}.po"


def languages() -> tuple[str, ...]:
    """Every language there are texts in."""
    found = (file.parent.parent.name for file in shared_folder().glob(f"locale/*/LC_MESSAGES/{DOMAIN}.po"))
    return (ENGLISH, *sorted(found))


def translator(language: str) -> NullTranslations:
    """The texts of a language; what it has no text for stays English. InputError where there is none."""
    if language == ENGLISH:
        return NullTranslations()
    if language not in languages():
        known = ", ".join(languages())
        raise InputError([Fault("web.language", repr(language), f"has no texts; use one of {known}")])
    return GNUTranslations(BytesIO(polib.pofile(str(catalogue_file(language))).to_binary()))
