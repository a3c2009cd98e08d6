"""Runs a program of the machine with a total time; what it says is kept to a bound."""

import subprocess
from collections.abc import Sequence

from monitor.model.errors import DryshiftError

MOST_SAID = 2_000  # characters


class ProgramError(DryshiftError):
    """It cannot be started, or did not end within its time; says why."""


def run_program(arguments: Sequence[str], total_s: float) -> tuple[int, str]:
    """Its exit code and the end of what it said; raises ProgramError."""
    try:
        done = subprocess.run(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=total_s,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise ProgramError(f"took longer than {total_s:.0f} s") from error
    except OSError as error:
        raise ProgramError(f"cannot be started: {error.strerror or error}") from error
    return done.returncode, done.stdout.decode("utf-8", "replace")[-MOST_SAID:]
