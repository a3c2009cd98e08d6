"""Brings the message catalogues up to date with the texts in code and data, keeping what is translated.

Run: python -m tests.alarms.catalogue_files
"""

from pathlib import Path

import polib

from monitor.settings.language import DOMAIN, catalogue_file, languages
from monitor.settings.reference import shared_folder
from tests.alarms.shop import catalogue
from tests.alarms.texts import texts


def template() -> polib.POFile:
    """The template made from the texts as they are now."""
    made = polib.POFile(wrapwidth=100)
    made.metadata = {
        "Project-Id-Version": DOMAIN,
        "Content-Type": "text/plain; charset=UTF-8",
        "Content-Transfer-Encoding": "8bit",
    }
    for text in texts(catalogue()):
        entry = made.find(text.msgid)
        if entry is None:
            flags = ["python-brace-format"] if "{" in text.msgid else []
            made.append(
                polib.POEntry(
                    msgid=text.msgid, occurrences=[(text.place, "")], comment=text.hint, flags=flags
                )
            )
        else:
            entry.occurrences.append((text.place, ""))
    return made


def template_file() -> Path:
    """Where the template lies."""
    return shared_folder() / "locale" / f"{DOMAIN}.pot"


def main() -> None:
    """Write the template and merge it into every language."""
    made = template()
    made.save(str(template_file()))
    for language in languages()[1:]:
        translated = polib.pofile(str(catalogue_file(language)), wrapwidth=100)
        translated.merge(made)
        translated.save()


if __name__ == "__main__":
    main()
