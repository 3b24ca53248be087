"""Certificates of a broker, good and bad, each for those who connect to it: a node and the pipeline."""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

CERTIFICATES = {
    "good": ("127.0.0.1", -9, 9, "broker", ""),
    "expired": ("127.0.0.1", -9, -1, "broker", "expired"),
    "of tomorrow": ("127.0.0.1", 1, 9, "broker", "not yet valid"),
    "of another address": ("192.0.2.10", -9, 9, "broker", "mismatch"),
    "of a name": ("broker.example", -9, 9, "broker", "mismatch"),
    "of a foreign authority": (
        "127.0.0.1",
        -9,
        9,
        "foreign",
        "self-signed|unable to get local issuer|signature failure",
    ),
}
"""Name in it, its first and last day from today, which authority is trusted, and OpenSSL's words of the refusal."""


def signed(folder: Path, *, name: str, begins_d: int, ends_d: int) -> list[str]:
    """Put an authority, `ca.pem`, and a server certificate of it into a folder; return what mosquitto is told of it."""
    folder.mkdir()
    now = datetime.datetime.now(datetime.UTC)
    keys = [ec.generate_private_key(ec.SECP256R1()) for _ in range(2)]
    issuer, subject = (x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text)]) for text in ("CA", "broker"))

    def begun(of: x509.Name, key: ec.EllipticCurvePrivateKey, first_d: int, last_d: int) -> x509.CertificateBuilder:
        first, last = (now + datetime.timedelta(days=days) for days in (first_d, last_d))
        made = x509.CertificateBuilder().subject_name(of).issuer_name(issuer).public_key(key.public_key())
        return made.serial_number(x509.random_serial_number()).not_valid_before(first).not_valid_after(last)

    is_authority = x509.BasicConstraints(ca=True, path_length=0)
    authority = begun(issuer, keys[0], -100, 100).add_extension(is_authority, critical=True)
    names: list[x509.GeneralName] = [x509.DNSName(name)]
    with contextlib.suppress(ValueError):
        names = [x509.IPAddress(ipaddress.ip_address(name))]
    server = begun(subject, keys[1], begins_d, ends_d)
    server = server.add_extension(x509.SubjectAlternativeName(names), critical=False)
    for file, one in (("ca.pem", authority), ("cert.pem", server)):
        (folder / file).write_bytes(one.sign(keys[0], SHA256()).public_bytes(Encoding.PEM))
    (folder / "key.pem").write_bytes(
        keys[1].private_bytes(Encoding.PEM, PrivateFormat.TraditionalOpenSSL, NoEncryption())
    )
    return [f"certfile {folder / 'cert.pem'}", f"keyfile {folder / 'key.pem'}", "allow_anonymous true", "user root"]
