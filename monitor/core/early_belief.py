"""Believes a jump to damper air at once where a second sensor of the zone shows it too.

A jump is otherwise believed once it has held for a few readings. Only this way round: for dry air that comes
with a jump the wait stays, however many show it, and so it does for a jump of temperature.
"""

from collections.abc import Mapping

from monitor.core.shop import Shop
from monitor.core.watch import BELIEVED
from monitor.model.reading import Quantity, Reading
from monitor.sensors.accuracy import humidity_std_frac
from monitor.sensors.agreement import PeerReading, PeerSpread, compare
from monitor.sensors.quality_rules import SensorRules
from monitor.sensors.track import SensorTrack

_HUMIDITY = Quantity.RELATIVE_HUMIDITY


def shown_by_another(
    shop: Shop, tracks: Mapping[str, SensorTrack], sensor: SensorRules, reading: Reading
) -> bool:
    """Whether a believed sensor in the same air last gave the same humidity that this one has jumped up to.

    `tracks` are as of before the reading. The temperature of its message must have been believed already: a
    draught of cold air raises the humidity without bringing water.
    """
    if reading.key.quantity is not _HUMIDITY or not _believed(tracks[sensor.id]):
        return False
    own = tracks[sensor.id].channels
    before, warmth = own.get(_HUMIDITY), own.get(Quantity.AIR_TEMPERATURE)
    if before is None or reading.value <= before.believed_value:
        return False
    if warmth is None or warmth.believed_time_s != reading.time_s:
        return False
    return any(_agrees(shop, tracks[peer.id], peer, sensor, reading) for peer in shop.peers[sensor.id])


def _believed(track: SensorTrack) -> bool:
    return track.health is not None and track.health.status in BELIEVED and track.apart_since_s is None


def _agrees(
    shop: Shop, witness: SensorTrack, peer: SensorRules, sensor: SensorRules, reading: Reading
) -> bool:
    seen = witness.channels.get(_HUMIDITY)
    if seen is None or seen.stuck or seen.bad_n or not _believed(witness):
        return False
    if abs(reading.time_s - seen.last_time_s) > shop.fresh_s[sensor.zone]:
        return False
    both = [
        PeerReading(one.id, 100.0 * value, 100.0 * humidity_std_frac(one, value))
        for one, value in ((sensor, reading.value), (peer, seen.last_value))
    ]
    judging = sensor.judging
    return not compare(both, judging, PeerSpread(100.0 * judging.room_spread_frac, "humidity", "%RH"))
