"""Sends all that waits in a spool."""

from monitor.store.influx.shipper import Shipper


def drain(shipper: Shipper) -> None:
    """Send until nothing waits; raises where the server is away."""
    while shipper.send_once():
        continue
