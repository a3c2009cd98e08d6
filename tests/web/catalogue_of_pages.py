"""Brings the catalogues of pages up to date with the templates: what is new waits there to be said.

Run: python -m tests.web.catalogue_of_pages
"""

import polib

from monitor.settings.language import catalogue_file, languages
from monitor.settings.sentences import PAGES
from tests.web.test_languages import template_messages


def main() -> None:
    """Add the templates' new messages to every language, and name what waits to be said."""
    for language in languages()[1:]:
        file = polib.pofile(str(catalogue_file(language, PAGES)), wrapwidth=110)
        known = {one.msgid for one in file}
        for message in template_messages():
            if message not in known:
                file.append(polib.POEntry(msgid=message))
        file.sort(key=lambda one: one.msgid.lower())
        file.save()
        for one in file.untranslated_entries():
            print(f"{language}: {one.msgid}")  # noqa: T201


if __name__ == "__main__":
    main()
