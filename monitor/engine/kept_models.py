"""Keeps what was learnt of each zone over a restart, so that the first look ahead learns nothing anew."""

import hashlib
import logging
from collections.abc import Iterable
from itertools import chain
from pathlib import Path

import msgspec
import numpy as np

from monitor.clock import Clock
from monitor.engine.learner import REFIT_S, Learner
from monitor.outlook import response
from monitor.outlook.response import ZoneModel
from monitor.physics import saturation
from monitor.settings.reference import shared_folder
from monitor.settings.schema import Settings
from monitor.store.private import private_folder, write_private

log = logging.getLogger(__name__)

FOLDER = "learnt"
KEPT_S = 2.0 * REFIT_S  # an older one is of a shop that nobody watched meanwhile
_DATA = ("outlook.toml", "rooms_known.toml")


def _array_as_plain(value: object) -> object:
    if not isinstance(value, np.ndarray):
        raise NotImplementedError(type(value).__name__)
    return value.shape, np.ascontiguousarray(value, dtype=np.float64).tobytes()


def _plain_as_array(_: type, value: tuple[list[int], bytes]) -> np.ndarray:
    shape, numbers = value
    return np.frombuffer(numbers, dtype=np.float64).reshape(shape)


_encoder = msgspec.msgpack.Encoder(enc_hook=_array_as_plain)
_decoder = msgspec.msgpack.Decoder(tuple[str, ZoneModel], dec_hook=_plain_as_array)


def made_by(settings: Settings, store: int) -> str:
    """What a model follows from besides the air: the code and data that learn, the settings, the store."""
    whole = hashlib.sha256(f"{store} {settings.model_dump_json()}".encode())
    rooms = (Path(response.__file__).parent, Path(saturation.__file__).parent)
    sources = chain.from_iterable(sorted(room.glob("*.py")) for room in rooms)
    for file in (*sources, *(shared_folder() / name for name in _DATA)):
        whole.update(file.read_bytes())
    return whole.hexdigest()


class KeptModels:
    """A file a zone below the data folder. What cannot be read or was made otherwise is learnt anew."""

    def __init__(self, data_dir: Path, made_by: str) -> None:
        self._folder = data_dir / FOLDER
        self._made_by = made_by

    def read(self, zones: Iterable[str], now_s: float) -> dict[str, ZoneModel]:
        """The zones' models that were learnt no longer ago than two days, by zone."""
        found = {zone: model for zone in zones if (model := self._read(zone)) is not None}
        return {zone: model for zone, model in found.items() if 0.0 <= now_s - model.fitted_s < KEPT_S}

    def write(self, model: ZoneModel) -> None:
        """Keep a model; where the disk takes nothing it is learnt anew after the next start."""
        try:
            private_folder(self._folder)
            write_private(self._file(model.zone), _encoder.encode((self._made_by, model)))
        except OSError as error:
            log.warning("what was learnt of %s is not kept: %s", model.zone, error)

    def _read(self, zone: str) -> ZoneModel | None:
        try:
            made_by, model = _decoder.decode(self._file(zone).read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, msgspec.DecodeError, ValueError, TypeError) as error:
            log.warning("what was learnt of %s cannot be read and is learnt anew: %s", zone, error)
            return None
        return model if (made_by, model.zone) == (self._made_by, zone) else None

    def _file(self, zone: str) -> Path:
        return self._folder / f"{zone}.msgpack"


def open_learner(settings: Settings, clock: Clock, store: int) -> Learner:
    """The learner of a service, with what was learnt before this start; a demo's learns where it is asked."""
    if clock.simulated:
        return Learner(at_once=True)
    models = KeptModels(settings.service.data_dir, made_by(settings, store))
    kept = models.read((zone.id for zone in settings.zones), clock.now_s())
    return Learner(at_once=False, kept=kept, keep=models.write)
