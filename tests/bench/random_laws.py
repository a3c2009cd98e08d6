"""Runs the random tests at random: seed after seed for some minutes, each failure with how to repeat it.

    .venv/bin/python tests/bench/random_laws.py [MINUTES] [TEST ...]

The suite runs the same tests with the same examples every time, so a red run is news and not luck. What a
seed of this command finds is pinned beside its test with @example, and then it stays.
"""

import subprocess
import sys
import time

USUAL_MINUTES = 60.0


def main() -> int:
    """Gives 1 where a seed failed."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else USUAL_MINUTES
    tests = sys.argv[2:] or ["tests"]
    end_s, seed, failed = time.monotonic() + 60.0 * minutes, time.time_ns() % 10**9, 0
    rounds = 0
    while time.monotonic() < end_s:
        command = ["-m", "pytest", *tests, "-m", "hypothesis", "-q", "--no-header", "-p", "no:cacheprovider"]
        command += ["--hypothesis-profile=long", f"--hypothesis-seed={seed}"]
        run = subprocess.run([sys.executable, *command], capture_output=True, text=True, check=False)
        rounds += 1
        last = run.stdout.strip().splitlines()[-1:] or [run.stderr.strip()[-200:]]
        print(f"seed {seed}: {last[0]}", flush=True)
        if run.returncode != 0:
            failed += 1
            print(run.stdout[-6000:], flush=True)
        seed += 1
    print(f"{rounds} seeds, {failed} with a failure")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
