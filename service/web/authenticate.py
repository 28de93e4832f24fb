"""Says who calls and what they may do: the holder of a token, or anyone where only this machine can call."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Protocol

import yaml
from starlette.requests import HTTPConnection

from service.problems import Code, Problem, Rejected
from service.settings import AuthMode, Settings, WrongSettings


class Scope(StrEnum):
    """What a token may be allowed to do."""

    RECORD = "record"
    INTEGRATE = "integrate"
    AUDIT = "audit"


ALL_SCOPES = frozenset(Scope)


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls: the name that goes into the audit log, and what they may do."""

    name: str
    scopes: frozenset[Scope]


class Authenticator(Protocol):
    """Tells who calls."""

    def identify(self, connection: HTTPConnection) -> Caller:
        """Return the caller; Rejected where the request proves nobody."""


class NobodyInParticular:
    """Takes every caller of this machine; only for a service that listens on a loopback address."""

    def identify(self, connection: HTTPConnection) -> Caller:  # noqa: ARG002 - every request is the same to it.
        """Return the one caller that there is."""
        return Caller("local", ALL_SCOPES)


@dataclass(frozen=True, slots=True)
class _KnownToken:
    digest: bytes
    caller: Caller


def token_digest(token: str) -> str:
    """Return what is kept of a token. A token has 256 random bits, so a plain hash of it cannot be guessed."""
    return hashlib.sha256(token.encode()).hexdigest()


def new_token() -> str:
    """Return a fresh token."""
    return secrets.token_urlsafe(32)


class TokenHolders:
    """Takes the holders of known tokens (RFC 6750, Authorization: Bearer)."""

    def __init__(self, known: Sequence[tuple[str, Caller]]) -> None:
        self._known = [_KnownToken(bytes.fromhex(digest), caller) for digest, caller in known]

    def identify(self, connection: HTTPConnection) -> Caller:
        """Return the holder of the token; Rejected where there is none, or one that is not known."""
        scheme, _, token = connection.headers.get("authorization", "").partition(" ")
        digest = hashlib.sha256(token.strip().encode()).digest()
        found = None
        # Every token is compared, in constant time, so that the time taken tells nothing about them.
        for known in self._known:
            if hmac.compare_digest(known.digest, digest):
                found = known.caller
        if scheme.lower() != "bearer" or found is None:
            raise Rejected(
                [Problem(Code.NOT_AUTHENTICATED, "", "the request has no token, or an unknown one",
                         "the header Authorization: Bearer with a token of this service")]
            )  # fmt: skip
        return found


def read_token_file(file: Path) -> list[tuple[str, Caller]]:
    """Return digest and caller of each token in a file.

    Shape: a YAML list of {name, scopes: [record, integrate, audit], sha256}.
    Raises WrongSettings where the file cannot be read or says something else.
    """
    try:
        listed = yaml.safe_load(file.read_text(encoding="utf-8"))
        return [
            (
                _checked_digest(item["sha256"]),
                Caller(item["name"], frozenset(Scope(name) for name in item["scopes"])),
            )
            for item in listed
        ]
    except (OSError, yaml.YAMLError, KeyError, TypeError, ValueError) as error:
        message = f"RESUS_TOKENS: {file} is not a list of tokens with name, scopes and sha256"
        raise WrongSettings(message) from error


def _checked_digest(text: str) -> str:
    if len(bytes.fromhex(text)) != hashlib.sha256().digest_size:
        raise ValueError("not a SHA-256")
    return text


def make_authenticator(settings: Settings, own_token: str) -> Authenticator:
    """Return the authenticator of the settings; `own_token` is that of this process for its own endpoint."""
    if settings.auth is AuthMode.NONE or settings.tokens is None:
        return NobodyInParticular()
    own = (token_digest(own_token), Caller("resus-fhir", frozenset({Scope.INTEGRATE})))
    return TokenHolders([*read_token_file(settings.tokens), own])


def permit(caller: Caller, *scopes: Scope) -> Caller:
    """Return the caller where one of the scopes is theirs; Rejected otherwise."""
    if caller.scopes.isdisjoint(scopes):
        wanted = " or ".join(scopes)
        problem = Problem(
            Code.NOT_PERMITTED,
            "",
            "the token does not have the scope for this call",
            f"a token with the scope {wanted}",
        )
        raise Rejected([problem])
    return caller
