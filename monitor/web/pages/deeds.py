"""What can be done to a thing with one tap: the buttons, and the ledger entry that each of them makes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import BaseModel, Field

from monitor.consumables.classes import Place, consumable_classes
from monitor.consumables.run_off import WIRES
from monitor.consumables.spools import spool_data
from monitor.consumables.storage_places import OPEN_PLACES
from monitor.history import entries as made
from monitor.history.entries import Entry
from monitor.history.entry_words import plain_words
from monitor.model import shop_units
from monitor.model.errors import Fault, InputError
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.web.frame.forms import Ago
from monitor.web.frame.local_time import Turn

MM = 1_000.0


class DeedForm(BaseModel):
    """What a person sends: which deed, who, and what the deed asks for."""

    deed: Annotated[str, Field(max_length=40)]
    sure: bool = False  # what spoke against it was shown, and it was done all the same
    who: Annotated[str, Field(min_length=1, max_length=80)]
    key: Annotated[str, Field(min_length=8, max_length=80)]
    ago: Ago = 0.0
    at: Annotated[str, Field(max_length=25)] = ""  # local time, where it happened earlier
    zone: Annotated[str, Field(max_length=48)] = ""
    turn: Turn | None = None  # which of the two, where that time came twice
    note: Annotated[str, Field(max_length=400)] = ""
    on_behalf_of: Annotated[str, Field(max_length=80)] = ""
    name: Annotated[str, Field(max_length=60)] = ""
    consumable: Annotated[str, Field(max_length=48)] = ""
    gas: Annotated[str, Field(max_length=48)] = ""
    lot: Annotated[str, Field(max_length=60)] = ""
    job: Annotated[str, Field(max_length=60)] = ""
    machine: Annotated[str, Field(max_length=60)] = ""
    layers: Annotated[int, Field(ge=1, le=20)] = 1
    wire_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    spool: Annotated[str, Field(max_length=48)] = ""
    mass_kg: Annotated[float, Field(gt=0, le=2_000)] | None = None  # of wire on the spool
    thickness_mm: Annotated[float, Field(gt=0, le=1_000)] | None = None
    temperature: Annotated[float, Field(ge=-80, le=1_200)] | None = None  # in the shop's unit
    humidity: Annotated[float, Field(ge=0, le=100)] | None = None  # percent


Make = Callable[[DeedForm, Settings], Entry]


@dataclass(frozen=True, slots=True)
class Deed:
    """One button. `zones` are the kinds of zone it may lead to; `asks` are the fields it needs."""

    id: str
    label: str
    kind: str  # "package" | "cylinder" | "plate" | "store"
    make: Make
    zones: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    grave: bool = False  # asked for twice


class DoubtedError(InputError):
    """A deed that something speaks against; sent once more with `sure` it is written."""

    def __init__(self, deed: Deed, form: DeedForm, doubts: Sequence[str]) -> None:
        super().__init__([Fault(deed.label, "doubtful", doubt) for doubt in doubts])
        self.form = form


def _moved(place: Place) -> Make:
    def make(form: DeedForm, settings: Settings) -> Entry:
        return made.Moved(place, form.zone, celsius(form.temperature, settings), share(form.humidity))

    return make


def _bagged_anew(form: DeedForm, settings: Settings) -> Entry:
    return made.Moved(Place.BAGGED, form.zone, fresh_desiccant=True)


def celsius(value: float | None, settings: Settings) -> float | None:
    """A temperature as entered, in °C."""
    if value is None:
        return None
    return shop_units.celsius(value, fahrenheit=settings.web.temperature_unit == "F")


def share(percent: float | None) -> float | None:
    """A humidity as entered, as a fraction."""
    return None if percent is None else percent / 100.0


def _opened(form: DeedForm, settings: Settings) -> Entry:
    """Wire is opened at the machine; rods and flux lie in the open until somebody says where."""
    wire = is_wire(form.consumable)
    place = Place.ON_MACHINE if wire else Place.OPEN_AIR
    opened = made.Opened(form.name, form.consumable, form.zone, place, lot=form.lot, job=form.job)
    wire_m = None if form.wire_mm is None else form.wire_mm / MM
    return replace(opened, spool=form.spool, wire_m=wire_m, mass_kg=form.mass_kg) if wire else opened


def is_wire(consumable: str) -> bool:
    """Whether a class is one of wire; an unknown one is refused elsewhere."""
    known = consumable_classes(load_toml("consumables.toml")).get(consumable)
    return known is not None and known.kind in WIRES


def _ran_off(form: DeedForm, settings: Settings) -> Entry:
    if form.wire_mm is None:
        fix = "choose the wire size on the spool's label: a layer is as deep as its wire"
        raise InputError([Fault("wire", "not said", fix)])
    spools, wire_m = spool_data(load_toml("spools.toml")), form.wire_mm / MM
    depth_m = form.layers * spools.layer_pitch.value * wire_m  # layers lie nested in each other
    return made.RanOff(depth_m, wire_m=wire_m)


def _checked(form: DeedForm, settings: Settings) -> Entry:
    if form.temperature is None and form.humidity is None:
        raise InputError([Fault("temperature", "nothing", "enter what the display shows")])
    return made.StoreChecked(celsius(form.temperature, settings), share(form.humidity))


def _plate(form: DeedForm, settings: Settings) -> Entry:
    if form.thickness_mm is None:
        raise InputError([Fault("thickness", "nothing", "enter the thickness of the plate")])
    start_c = celsius(form.temperature, settings)
    return made.PlateBroughtIn(form.name, form.zone, form.thickness_mm / MM, start_temperature_c=start_c)


def _cylinder(form: DeedForm, settings: Settings) -> Entry:
    start_c = celsius(form.temperature, settings)
    return made.CylinderDelivered(form.name, form.gas, form.zone, start_temperature_c=start_c)


_LAY_OPEN = frozenset(plain_words(str(place)) for place in OPEN_PLACES)
INDOORS = ("bay", "hall", "store", "cage", "yard")
DEEDS = (
    Deed("machine", "Back on the machine", "package", _moved(Place.ON_MACHINE), INDOORS),
    Deed("bagged", "Bagged with desiccant", "package", _moved(Place.BAGGED), INDOORS),
    Deed("bagged-anew", "Bagged, new desiccant", "package", _bagged_anew, INDOORS),
    Deed("cabinet", "Into the dry cabinet", "package", _moved(Place.DRY_CABINET), ("cabinet",)),
    Deed("oven", "Into the holding oven", "package", _moved(Place.HOLDING_OVEN), ("oven",)),
    Deed("quiver", "Into the heated quiver", "package", _moved(Place.HEATED_QUIVER), ("quiver",)),
    Deed("redry", "Into the oven to redry", "package", _moved(Place.REDRY), ("oven",)),
    Deed("out", "Out, lying open", "package", _moved(Place.OPEN_AIR), INDOORS),
    Deed("ran-off", "Ran off outer wraps", "package", _ran_off, asks=("layers",)),
    Deed("sound", "Test bead sound", "package", lambda form, _: made.TestBead(sound=True)),
    Deed("not-sound", "Test bead not sound", "package", lambda form, _: made.TestBead(sound=False)),
    Deed("got-wet", "Got wet", "package", lambda form, _: made.GotWet(), grave=True),
    Deed("withdrawn", "Withdrawn", "package", lambda form, _: made.Withdrawn(), grave=True),
    Deed("brought-in", "Brought in", "cylinder", lambda form, _: made.CylinderMoved(form.zone), INDOORS),
    Deed("connected", "Connected", "cylinder", lambda form, _: made.CylinderConnected(form.machine)),
    Deed("spare", "Capped, a spare", "cylinder", lambda form, _: made.CylinderSpare()),
    Deed("quarantined", "Quarantined", "cylinder", lambda form, _: made.CylinderQuarantined()),
    Deed("changed", "Changed, taken off", "cylinder", lambda form, _: made.CylinderChanged()),
    Deed("gone", "Used up or gone", "plate", lambda form, _: made.PlateGone()),
    Deed("checked", "Checked", "store", _checked, asks=("temperature", "humidity")),
    Deed("desiccant", "Desiccant renewed", "store", lambda form, _: made.DesiccantRenewed()),
)
OF_WIRE = frozenset({"machine", "ran-off"})
FIRST = {
    "package": Deed("opened", "Opened", "package", _opened, INDOORS, ("name", "consumable")),
    "cylinder": Deed("delivered", "Delivered", "cylinder", _cylinder, INDOORS, ("name", "gas")),
    "plate": Deed("brought-in", "Brought in", "plate", _plate, INDOORS, ("name", "thickness")),
}


def strict_turn(entry: Entry, place: str) -> Turn:
    """Which of two equal times counts the longer exposure; where that is not plain, the person is asked.

    `place`: where the thing was, in the words of its page.
    """
    lay_open = place in _LAY_OPEN
    match entry:
        case made.Opened():
            return Turn.FIRST
        case made.Moved(place=to) if plain_words(str(to)) in _LAY_OPEN:
            return Turn.FIRST
        case made.Moved() if lay_open:
            return Turn.SECOND
    return Turn.ASK


def deeds_for(kind: str, consumable: str = "") -> list[Deed]:
    """The buttons of a thing of this kind; rods and flux hang on no machine and have no wraps."""
    found = [deed for deed in DEEDS if deed.kind == kind]
    if not consumable or is_wire(consumable):
        return found
    return [deed for deed in found if deed.id not in OF_WIRE]


def deed_named(kind: str, name: str, *, known: bool) -> Deed:
    """A deed by its id; a thing that nobody has entered yet first has to be entered."""
    first = FIRST.get(kind)
    if first is not None and first.id == name and (not known or kind != "package"):
        return first
    if not known:
        raise InputError([Fault("deed", name, "is not possible yet: enter first what it is")])
    found = next((deed for deed in deeds_for(kind) if deed.id == name), None)
    if found is None:
        choices = ", ".join(deed.id for deed in deeds_for(kind))
        raise InputError([Fault("deed", name, f"use one of: {choices}")])
    return found
