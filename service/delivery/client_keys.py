"""Our key for SMART Backend Services: read from a file, signs assertions, and shows its public half."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, RSAKey

from service.exact_json import BrokenJsonError, read_json
from service.settings import Settings, WrongSettings

_FEWEST_RSA_BITS = 2048


@dataclass(frozen=True, slots=True)
class ClientKey:
    """A private key with the id and the algorithm (RS384 or ES384) by which the server knows it.

    Source: SMART App Launch 2.2, client-confidential-asymmetric, which wants both algorithms supported.
    """

    kid: str
    algorithm: str
    _key: RSAKey | ECKey = field(repr=False)

    def sign(self, claims: Mapping[str, Any]) -> str:
        """Return the claims as a signed token."""
        header = {"alg": self.algorithm, "kid": self.kid, "typ": "JWT"}
        return jwt.encode(header, dict(claims), self._key, algorithms=[self.algorithm])

    def public(self) -> dict[str, Any]:
        """Return the public half as a JWK (RFC 7517)."""
        shown = {**self._key.as_dict(private=False), "kid": self.kid, "alg": self.algorithm, "use": "sig"}
        shown.pop("key_ops", None)
        return shown


def read_client_key(file: Path, key_id: str | None, setting: str) -> ClientKey:
    """Return the key of a file that holds a JWK or PEM; WrongSettings, naming `setting`, where it cannot be used.

    The id is `key_id`, else the `kid` of the JWK, else the thumbprint (RFC 7638).
    """
    try:
        body = file.read_bytes()
    except OSError as error:
        raise WrongSettings(f"{setting}: {file} cannot be read: {type(error).__name__}") from None
    try:
        with warnings.catch_warnings():
            # The library only warns of a key that is too short; it is refused below.
            warnings.simplefilter("ignore")
            key = _read_key(body)
    except (JoseError, BrokenJsonError, ValueError, TypeError, KeyError):
        # The library's own words may repeat a part of the key.
        message = f"{setting}: {file} holds no private RSA or EC P-384 key as JWK or PEM without a password"
        raise WrongSettings(message) from None
    return ClientKey(key_id or key.kid or key.thumbprint(), "RS384" if isinstance(key, RSAKey) else "ES384", key)


def _read_key(body: bytes) -> RSAKey | ECKey:
    """Return a private key that RS384 or ES384 can use; ValueError for any other."""
    key: RSAKey | ECKey
    if body.lstrip().startswith(b"{"):
        members = read_json(body)
        # What the key may be used for does not bind us: its holder configured it for this.
        wanted = {name: value for name, value in members.items() if name not in ("key_ops", "use", "alg")}
        key = RSAKey.import_key(wanted) if members.get("kty") == "RSA" else ECKey.import_key(wanted)
    else:
        try:
            key = RSAKey.import_key(body)
        except (JoseError, ValueError, TypeError):
            key = ECKey.import_key(body)
    if not key.is_private:
        raise ValueError("only a public key")
    if isinstance(key, RSAKey):
        if key.raw_value.key_size < _FEWEST_RSA_BITS:
            raise ValueError("too short")
    elif key.curve_name != "P-384":
        raise ValueError("another curve")
    return key


def signing_key(settings: Settings) -> ClientKey | None:
    """Return the key that signs, None where none is set."""
    if settings.destination_key_file is None:
        return None
    return read_client_key(settings.destination_key_file, settings.destination_key_id, "RESUS_DESTINATION_KEY_FILE")


def public_keys(settings: Settings) -> dict[str, Any]:
    """Return our JWKS: the key that signs and, during a rotation, the one before it; never a private half.

    Raises WrongSettings where a key cannot be read, or where both carry one id.
    """
    keys = []
    current = signing_key(settings)
    if current is not None:
        keys.append(current.public())
    if settings.destination_previous_key_file is not None:
        previous = read_client_key(
            settings.destination_previous_key_file,
            settings.destination_previous_key_id,
            "RESUS_DESTINATION_PREVIOUS_KEY_FILE",
        )
        if current is not None and previous.kid == current.kid:
            raise WrongSettings(
                "RESUS_DESTINATION_PREVIOUS_KEY_FILE: both keys have the same id (kid); give them different ids"
            )
        keys.append(previous.public())
    return {"keys": keys}
