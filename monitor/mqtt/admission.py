"""Who is let in at the embedded broker's gate and may do what: the enrolled, or the one log-in of all."""

import hmac
from collections.abc import Set as AbstractSet
from pathlib import Path

from monitor.model.errors import InputError
from monitor.mqtt.access_list import READ, WRITE, AccessList
from monitor.mqtt.enrolment import ACCESS, PASSWORDS, Enrolment
from monitor.mqtt.password_file import is_password
from monitor.mqtt.topic_filters import covers
from monitor.settings.schema import MqttSection


class Admission:
    """With `mqtt.access_dir` who is enrolled; else who has the one log-in, or all where there is none."""

    def __init__(self, settings: MqttSection) -> None:
        self._settings = settings
        self._folder = settings.access_dir
        self._hashes: dict[str, str] = {}
        self._access = AccessList()
        self._seen: tuple[int, ...] = ()
        self.problem = ""
        self.look()

    @property
    def enrolled(self) -> bool:
        """Whether each log-in has its own topics, and its name is its client id."""
        return self._folder is not None

    def look(self) -> AbstractSet[str]:
        """Read the files again where they changed; whose connections end, since they are not as before."""
        if self._folder is None or (seen := self._stamps(self._folder)) == self._seen:
            return frozenset()
        before = self._hashes
        try:
            enrolment = Enrolment(self._folder)
            self._hashes, self._access = dict(enrolment.hashes()), enrolment.access()
            self.problem = ""
        except InputError as error:  # then nobody is let in that was not before
            self.problem = str(error)
        self._seen = seen
        return {login for login, said in before.items() if self._hashes.get(login) != said}

    def admits(self, login: str | None, password: str | None) -> bool:
        """Whether this log-in is let in."""
        if self._folder is not None:
            known = self._hashes.get(login or "")
            return known is not None and is_password(password or "", known)
        if self._settings.username is None or self._settings.password is None:
            return True
        wanted = (self._settings.username, self._settings.password.get_secret_value())
        given = (login or "", password or "")
        right = [hmac.compare_digest(a.encode(), b.encode()) for a, b in zip(wanted, given, strict=True)]
        return all(right)

    def may_write(self, login: str | None, topic: str) -> bool:
        """Whether a log-in may publish there."""
        return self._folder is None or self._access.allows(login or "", WRITE, topic)

    def may_read(self, login: str | None, asked: str) -> bool:
        """Whether all that a filter asks for may be read."""
        if self._folder is None:
            return True
        rights = self._access.rights(login or "")
        return any(access in (READ, "readwrite") and covers(name, asked) for access, name in rights)

    def _stamps(self, folder: Path) -> tuple[int, ...]:
        found = []
        for name in (PASSWORDS, ACCESS):
            try:
                there = (folder / name).stat()
                found += [there.st_mtime_ns, there.st_ino, there.st_size]
            except OSError:
                found.append(0)
        return tuple(found)
