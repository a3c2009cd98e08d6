"""Reads the reference data and message contracts of `shared/`, from the checkout or from the wheel."""

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

_PACKAGE = Path(__file__).resolve().parents[1]


def _folder(packed: str, checkout: str) -> Path:
    inside_wheel = _PACKAGE / packed
    return inside_wheel if inside_wheel.is_dir() else _PACKAGE.parent / checkout


def shared_folder() -> Path:
    """The folder with the reference data."""
    return _folder("_shared", "shared")


def config_folder() -> Path:
    """The folder with the example shop and the Ferrymoor demo settings."""
    return _folder("_config", "config")


def guides_folder() -> Path:
    """The folder with the guides, one below it for each language."""
    return _folder("_guides", "deploy/guides")


@cache
def load_toml(name: str) -> dict[str, Any]:
    """A TOML file of `shared/`, by its path below that folder."""
    return tomllib.loads((shared_folder() / name).read_text(encoding="utf-8"))


@cache
def load_json(name: str) -> Any:
    """A JSON file of `shared/`, by its path below that folder."""
    return json.loads((shared_folder() / name).read_text(encoding="utf-8"))
