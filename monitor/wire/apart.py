"""Runs what a library does without bounds in a process of its own, which has a total time and a memory."""

import json
import logging
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.model.errors import DryshiftError

MEMORY_BYTES = 512 * 1024 * 1024  # of addresses, beyond what the interpreter holds when it is asked
MOST_SAID_BYTES = 8 * 1024 * 1024
_GRACE_S = 2  # for a child whose parent is gone


class ApartError(DryshiftError):
    """The process gave no answer within its time and memory; says why."""


def ask_apart(module: str, question: dict[str, Any], total_s: float) -> dict[str, Any]:
    """What `module`, which calls `answer_apart`, makes of the question; raises ApartError.

    Question and answer are plain JSON; secrets travel in them and not in the command line.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-m", module],
            input=json.dumps({"total_s": total_s, "question": question}).encode(),
            capture_output=True,
            timeout=total_s,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise ApartError(f"took longer than {total_s:g} s") from error
    except OSError as error:
        raise ApartError(f"cannot be started: {error}") from error
    try:
        answer: dict[str, Any] = json.loads(done.stdout)["answer"]
    except (ValueError, LookupError, TypeError) as error:
        raise ApartError(_why(done.returncode, done.stderr)) from error
    return answer


def answer_apart(work: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """The child's side: bound this process, answer the one question, end."""
    logging.disable(logging.CRITICAL)
    _bound_memory()
    asked = json.load(sys.stdin)
    signal.alarm(int(asked["total_s"]) + _GRACE_S)  # ends it also where nobody is left to do so
    said = json.dumps({"answer": work(asked["question"])}).encode()
    if len(said) > MOST_SAID_BYTES:
        raise ApartError(f"answered more than {MOST_SAID_BYTES} bytes")
    sys.stdout.buffer.write(said)


def _bound_memory() -> None:
    """Counted from now on: what libraries set aside at their start goes by the machine's processors."""
    held = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = held + MEMORY_BYTES
    limit = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _why(code: int, words: bytes) -> str:
    last = words.decode("utf-8", "replace").strip().rpartition("\n")[2][:200]
    if last.startswith("MemoryError"):
        return f"needs more than {MEMORY_BYTES // 2**20} MB"
    return last or f"ended with {code}"
