"""How bad a thing is, in the meanings of the colours of ISO 22324."""

from enum import StrEnum


class Level(StrEnum):
    """How bad a thing is, in the colours of ISO 22324; UNKNOWN never shows as safe."""

    SAFE = "safe"  # green
    CAUTION = "caution"  # yellow
    DANGER = "danger"  # red
    UNKNOWN = "unknown"  # grey
