"""Certificates made for one test: an authority, and what it signs."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID


@dataclass(frozen=True, slots=True)
class KeyPair:
    """A certificate and its key as PEM files."""

    certificate: Path
    key: Path


def pem_of(key: ec.EllipticCurvePrivateKey) -> bytes:
    """Return a private key as PEM without a password."""
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


class Authority:
    """Signs certificates for 127.0.0.1; its own stands in `file`."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.file = folder / f"{name}.pem"
        now = datetime.now(UTC)
        certificate = (
            x509.CertificateBuilder()
            .subject_name(self._name)
            .issuer_name(self._name)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=30))
            .not_valid_after(now + timedelta(days=30))
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .add_extension(
                x509.KeyUsage(
                    digital_signature=True, content_commitment=False, key_encipherment=False,
                    data_encipherment=False, key_agreement=False, key_cert_sign=True, crl_sign=True,
                    encipher_only=False, decipher_only=False,
                ),
                critical=True,
            )
            .sign(self._key, hashes.SHA256())
        )  # fmt: skip
        self.file.write_bytes(certificate.public_bytes(Encoding.PEM))

    def sign(self, name: str, *, expired: bool = False) -> KeyPair:
        """Return a certificate for a server or a client on the loopback address."""
        key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.now(UTC)
        until = now - timedelta(days=1) if expired else now + timedelta(days=2)
        certificate = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=2))
            .not_valid_after(until)
            .add_extension(
                x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
            )
            .add_extension(
                x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]),
                critical=False,
            )
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False
            )
            .sign(self._key, hashes.SHA256())
        )
        pair = KeyPair(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        pair.certificate.write_bytes(certificate.public_bytes(Encoding.PEM))
        pair.key.write_bytes(pem_of(key))
        return pair
