"""The broker's files of who may connect and do what: changed whole, one at a time, closed to others."""

import fcntl
import grp
import os
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from monitor.model.errors import Fault, InputError
from monitor.mqtt.access_list import AccessList, Rights
from monitor.mqtt.password_file import hashed, is_password, read_passwords, written_passwords
from monitor.store.private import write_private

PASSWORDS, ACCESS = "passwords", "access"
CERTIFICATE, KEY = "server.crt", "server.key"
BROKER = "mosquitto"  # its user group, and its process
PID_FILE = Path("/run/mosquitto/mosquitto.pid")
UNIT_PROCESSES = Path(
    "/sys/fs/cgroup/system.slice/mosquitto.service/cgroup.procs"
)  # Debian 13 keeps no PID_FILE


class Enrolment:
    """The folder with both files. A log-in without a line in the access list may do nothing."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def hashes(self) -> Mapping[str, str]:
        """By log-in, the hash of its password."""
        return read_passwords(self._read(PASSWORDS))

    def access(self) -> AccessList:
        """What each of them may do."""
        return AccessList(self._read(ACCESS))

    def admit(self, login: str, password: str, rights: Rights) -> None:
        """Let a log-in in with this password, and say what it may do; what it had before ends.

        Rights first: a crash in between leaves a log-in that is as it was, or one that nobody can use.
        """
        with self.alone():
            listed, known = self.access(), self.hashes()
            listed.grant(login, rights)
            self._write(ACCESS, listed.text)
            if not is_password(password, known.get(login, "")):  # a new hash would end its connection
                self._write(PASSWORDS, written_passwords({**known, login: hashed(password)}))

    def revoke(self, login: str) -> bool:
        """Let it in no more; false where it was not known."""
        with self.alone():
            hashes, listed = dict(self.hashes()), self.access()
            known = hashes.pop(login, None) is not None or login in listed.logins
            if known:
                self._write(PASSWORDS, written_passwords(hashes))
                listed.revoke(login)
                self._write(ACCESS, listed.text)
        return known

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Two at a time would each write what it read before the other wrote."""
        handle = self._open()
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)

    def _open(self) -> int:
        try:
            self.folder.mkdir(mode=0o750, parents=True, exist_ok=True)
            group = self.group()
            if group is not None and self.folder.stat().st_gid != group:
                os.chown(self.folder, -1, group)
            return os.open(self.folder, os.O_RDONLY | os.O_CLOEXEC)
        except OSError as error:
            raise InputError([_unusable(self.folder, error)]) from error

    def _read(self, name: str) -> str:
        try:
            return (self.folder / name).read_text(encoding="utf-8")
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            raise InputError([_unusable(self.folder / name, error)]) from error

    def _write(self, name: str, text: str) -> None:
        try:
            write_private(self.folder / name, text.encode(), self.group())
        except OSError as error:
            raise InputError([_unusable(self.folder / name, error)]) from error

    def group(self) -> int | None:
        """The broker's own group, where this machine has one and we may give it away."""
        try:
            return grp.getgrnam(BROKER).gr_gid if os.geteuid() == 0 else None
        except KeyError:
            return None


def _unusable(path: Path, error: Exception) -> Fault:
    said = getattr(error, "strerror", None) or str(error)
    return Fault("mqtt.access_dir", str(path), f"cannot be used ({said}); run this as root, or name another")


def reload_broker(pid_file: Path = PID_FILE) -> str | None:
    """Have a Mosquitto of this machine read its files again; None where it was told to, else the reason."""
    if pid_file == PID_FILE and not pid_file.exists() and UNIT_PROCESSES.exists():
        pid_file = UNIT_PROCESSES
    try:
        pid = int(pid_file.read_text(encoding="ascii").split("\n")[0])
        if Path(f"/proc/{pid}/comm").read_text(encoding="ascii").strip() != BROKER:
            return f"the process of {pid_file} is no {BROKER}"
        os.kill(pid, signal.SIGHUP)
    except FileNotFoundError:
        return f"no {BROKER} runs here ({pid_file} is not there)"
    except (OSError, ValueError) as error:
        return f"it cannot be told to: {getattr(error, 'strerror', None) or error}"
    return None
