"""What wrong log-ins cost a running yard: `python -m tests.bench.log_in_bench [HOW_MANY]`."""

import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.access.desks import WORDS
from tests.web import sample
from tests.web.signed_in import doors


def processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as folder, doors(Path(folder)) as yard:
        phone, guesser = yard.logged_in(), yard.browser()
        token = guesser.token()

        def size() -> int:
            return sum(file.stat().st_size for file in Path(folder).iterdir())

        before, on_disk, began = processor_s(), size(), time.monotonic()
        statuses = Counter[int]()
        for n in range(count):
            fields = {"form_token": token, "who": sample.LEAD, "password": f"guess number {n}"}
            answer = guesser.post(yard.url + "/log-in", data=fields, timeout=60, allow_redirects=False)
            statuses[answer.status_code] += 1
        took, used = time.monotonic() - began, processor_s() - before
        began = time.monotonic()
        phone.see("/alarms")
        page_s = time.monotonic() - began
        began = time.monotonic()
        known = phone.log_in(sample.LEAD, WORDS).status_code
        own_s, grown = time.monotonic() - began, size() - on_disk
    print(f"{count} wrong log-ins from one address: {dict(statuses)}")
    print(
        f"  {took:.1f} s, {used:.1f} processor seconds with the guesser's, {1e3 * used / count:.1f} ms each"
    )
    print(f"  the data folder grew by {grown / 1024:.0f} KiB")
    print(f"  a known phone's page {1e3 * page_s:.0f} ms, its log-in {known} in {own_s:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
