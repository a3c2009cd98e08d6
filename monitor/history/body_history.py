"""Derives from the ledger's events where each cylinder and plate has stood, and how it came."""

from dataclasses import dataclass, replace
from datetime import UTC, tzinfo

from monitor.history.entries import (
    CylinderChanged,
    CylinderConnected,
    CylinderDelivered,
    CylinderMoved,
    CylinderQuarantined,
    CylinderSpare,
    GaugeRead,
    PlateBroughtIn,
    PlateGone,
)
from monitor.history.records import Dated, moment
from monitor.model.errors import Fault, InputError
from monitor.model.thing import CylinderUse


@dataclass(frozen=True, slots=True)
class Stand:
    """A stretch in one zone, until the next one begins; `start_s` None: since before all entries."""

    zone: str
    start_s: float | None


@dataclass(frozen=True, slots=True)
class BodyHistory:
    """One cylinder or plate; `made` is how it was entered, None where the settings file declares it."""

    id: str
    kind: str  # "cylinder" | "plate"
    name: str
    stands: tuple[Stand, ...]
    made: CylinderDelivered | PlateBroughtIn | None = None
    gas: str = ""
    thickness_m: float | None = None  # of a plate
    present: bool = True
    use: CylinderUse | None = None  # of a cylinder, as last entered or declared
    machine: str | None = None  # what it is connected to; "" where no machine was named
    connected_s: float | None = None
    disconnected_s: float | None = None
    pressure_pa: float | None = None  # gauge, as last read
    pressure_s: float | None = None
    last_s: float | None = None

    @property
    def zone(self) -> str:
        """Where it stands."""
        return self.stands[-1].zone

    @property
    def came_s(self) -> float | None:
        """When it came, if that was entered."""
        return self.stands[0].start_s


def body_after(body: str, history: BodyHistory | None, dated: Dated, zone: tzinfo = UTC) -> BodyHistory:
    """The history with one more entry; InputError where it cannot be: done to a thing that was not there."""
    return replace(_after(body, history, dated, zone), last_s=dated.time_s)


def _after(body: str, history: BodyHistory | None, dated: Dated, zone: tzinfo) -> BodyHistory:
    match dated.entry:
        case CylinderDelivered() as made:
            return BodyHistory(
                id=body,
                kind="cylinder",
                name=made.name,
                stands=(Stand(made.zone, dated.time_s),),
                made=made,
                gas=made.gas,
                pressure_pa=made.pressure_pa,
                pressure_s=None if made.pressure_pa is None else dated.time_s,
            )
        case PlateBroughtIn() as made:
            return _brought_in(body, history, dated.time_s, made)
    if history is None:
        found = f"{dated.entry.entry}, {moment(dated.time_s, zone)}"
        raise InputError([Fault(body, found, "it was not there then; enter first when it came")])
    if not history.present:
        found = f"{dated.entry.entry}, {moment(dated.time_s, zone)}"
        raise InputError([Fault(body, found, "it was gone then; enter that it came back")])
    return _changed(history, dated)


def _brought_in(body: str, history: BodyHistory | None, time_s: float, made: PlateBroughtIn) -> BodyHistory:
    """Steel that was here already keeps its temperature, unless one was entered."""
    stands: tuple[Stand, ...] = (Stand(made.zone, time_s),)
    if history is not None and history.present and made.start_temperature_c is None:
        stands = (*history.stands, *stands)
    return BodyHistory(
        id=body, kind="plate", name=made.name, stands=stands, made=made, thickness_m=made.thickness_m
    )


def _changed(history: BodyHistory, dated: Dated) -> BodyHistory:
    match dated.entry:
        case CylinderMoved(zone=zone):
            return _moved(history, Stand(zone, dated.time_s))
        case CylinderConnected(machine=machine):
            return replace(history, machine=machine, connected_s=dated.time_s, use="connected")
        case CylinderSpare() | CylinderQuarantined():
            return _off(history, dated)
        case GaugeRead(pressure_pa=pressure_pa):
            return replace(history, pressure_pa=pressure_pa, pressure_s=dated.time_s)
        case CylinderChanged():
            history = replace(history, present=False, machine=None, disconnected_s=dated.time_s)
        case PlateGone():
            history = replace(history, present=False)
    return history


def _off(history: BodyHistory, dated: Dated) -> BodyHistory:
    """Not in use any more: off its machine, if it was on one."""
    use: CylinderUse = "spare" if isinstance(dated.entry, CylinderSpare) else "quarantined"
    off_s = history.disconnected_s if history.machine is None else dated.time_s
    return replace(history, machine=None, disconnected_s=off_s, use=use)


def _moved(history: BodyHistory, to: Stand) -> BodyHistory:
    """A spare that is brought somewhere may be wanted there; what is quarantined stays so."""
    use = None if history.use == "spare" else history.use
    return replace(history, stands=(*history.stands, to), use=use)
