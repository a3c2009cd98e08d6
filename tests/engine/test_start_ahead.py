"""After a start the pages know at once how it looks ahead; they need not wait for the next hourly look."""

import time
from pathlib import Path

from tests.engine.live import LiveYard
from tests.engine.yard import AnchoredClock
from tests.receivers import web_receiver


def test_the_picture_of_what_is_ahead_is_there_soon_after_a_start(tmp_path: Path) -> None:
    clock = AnchoredClock(time.time(), 1.0)  # an hour's look is an hour away
    with web_receiver() as phone, LiveYard(tmp_path, phone.url, clock=clock) as yard:
        yard.until(lambda: bool(yard.service.foreseer.views), "a look ahead")
        view = yard.service.foreseer.views["yard"]
        assert view.notes == ("Slip Bay: nothing has been measured yet",)
        assert yard.service.loop.state.memory.told == {}
