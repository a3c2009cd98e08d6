"""A small certificate authority of the shop's own: signs what the broker shows to sensors (RFC 5280)."""

import ipaddress
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from monitor.model.errors import Fault, InputError
from monitor.mqtt.enrolment import CERTIFICATE, KEY
from monitor.settings.reference import load_toml
from monitor.store.private import write_private

CA_KEY, CA = "ca.key", "ca.crt"
NAME = "Dryshift sensors"
ALWAYS = ("localhost", "127.0.0.1")
BACKDATED = timedelta(days=1)  # for a sensor whose clock is a little behind


def make_certificates(folder: Path, names: Sequence[str], now_s: float, group: int | None = None) -> datetime:
    """Make or renew the broker's certificate for these names and addresses; returns its last moment.

    The authority in `folder` is made once and stays, so that sensors keep what they were given. `group` may
    read what the broker needs. InputError where there is an authority without its key.
    """
    now = datetime.fromtimestamp(now_s, UTC)
    authority, signing = _authority(folder, now)
    key = ec.generate_private_key(ec.SECP256R1())
    ends = now + timedelta(days=_days("server_days"))
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0][:64])])
    alternatives = [_alternative(name) for name in dict.fromkeys((*names, *ALWAYS))]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(ends)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signing.public_key()), critical=False
        )
        .sign(signing, hashes.SHA256())
    )
    write_private(folder / KEY, _pem(key), group)
    write_private(folder / CERTIFICATE, certificate.public_bytes(serialization.Encoding.PEM), group)
    write_private(folder / CA, authority.public_bytes(serialization.Encoding.PEM), group)
    return ends


def _authority(folder: Path, now: datetime) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """The shop's authority, made where there is none."""
    try:
        certificate = x509.load_pem_x509_certificate((folder / CA).read_bytes())
        key = serialization.load_pem_private_key((folder / CA_KEY).read_bytes(), None)
    except FileNotFoundError as error:
        if (folder / CA).exists():
            fix = f"put it back to renew, or remove {folder / CA} and flash every sensor anew"
            raise InputError([Fault(CA_KEY, "nothing", fix)]) from error
        return _new_authority(folder, now)
    except (OSError, ValueError) as error:
        raise InputError(
            [Fault("mqtt.access_dir", str(folder), f"has no usable authority: {error}")]
        ) from error
    if not isinstance(key, ec.EllipticCurvePrivateKey) or key.public_key() != certificate.public_key():
        raise InputError([Fault(CA_KEY, str(folder / CA_KEY), f"does not belong to {folder / CA}")])
    return certificate, key


def _new_authority(folder: Path, now: datetime) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
    signs = dict.fromkeys(
        (
            "digital_signature",
            "content_commitment",
            "key_encipherment",
            "data_encipherment",
            "key_agreement",
            "encipher_only",
            "decipher_only",
        ),
        False,
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + timedelta(days=_days("authority_days")))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.KeyUsage(key_cert_sign=True, crl_sign=True, **signs), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    write_private(folder / CA_KEY, _pem(key))
    return certificate, key


def _days(name: str) -> float:
    return float(load_toml("broker.toml")[name]["value"])


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _alternative(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        pass
    try:
        return x509.DNSName(name)
    except ValueError as error:
        fix = "is neither a name in plain letters nor an address; write it as sensors dial it"
        raise InputError([Fault("name", repr(name), fix)]) from error
