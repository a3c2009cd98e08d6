"""The key that signs webhooks, as the Standard Webhooks specification 1.0 writes it: `whsec_` and base64."""

import base64
import binascii

PREFIX = "whsec_"
LEAST_BYTES = 24  # Standard Webhooks 1.0, "Signature scheme": 192 to 512 bits
MOST_BYTES = 64
_MAKE = f"`echo {PREFIX}$(openssl rand -base64 32)` makes one; the receiver is given the same text"


def webhook_key(secret: str) -> bytes:
    """The 24 to 64 bytes that `secret` stands for; ValueError says what it should be instead."""
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError) as error:
        raise ValueError(f"is no webhook secret: write {PREFIX} and base64; {_MAKE}") from error
    if not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise ValueError(
            f"holds {len(key)} bytes, a webhook secret has {LEAST_BYTES} to {MOST_BYTES}; {_MAKE}"
        )
    return key
