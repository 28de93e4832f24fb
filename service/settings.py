"""Settings, from the environment (prefix RESUS_) or a .env file; an unknown name stops the start."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from enum import StrEnum
from importlib import import_module
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field, HttpUrl, ValidationError, model_validator
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, SettingsConfigDict

PREFIX = "RESUS_"


class WrongSettings(Exception):  # noqa: N818 - it says what is wrong; it stops the start.
    """The settings cannot be used; the message says which and why, without their values."""


class AuthMode(StrEnum):
    """How callers prove who they are."""

    NONE = "none"
    TOKENS = "tokens"


class DestinationAuth(StrEnum):
    """How we prove to the destination who we are."""

    NONE = "none"
    BASIC = "basic"
    BEARER = "bearer"
    SMART = "smart"


class Strategy(StrEnum):
    """How a resource is addressed at the destination so that it arrives once."""

    AUTO = "auto"
    CLIENT_IDS = "client-ids"
    CONDITIONAL_UPDATE = "conditional-update"
    CONDITIONAL_CREATE = "conditional-create"


_NEEDED_FOR: Mapping[DestinationAuth, tuple[str, ...]] = {
    DestinationAuth.NONE: (),
    DestinationAuth.BASIC: ("destination_user", "destination_password_file"),
    DestinationAuth.BEARER: ("destination_token_file",),
    DestinationAuth.SMART: ("destination_token_url", "destination_client_id", "destination_key_file"),
}


def _store_location(value: object) -> Path | str:
    """Return a path for a file, a text for a URL; which parameters a URL may have is the driver's to say."""
    if not isinstance(value, str):
        return Path(str(value))
    scheme, separator, _ = value.partition("://")
    if not separator:
        return Path(value)
    if scheme not in ("postgresql", "postgres"):
        raise ValueError("the store must be a SQLite file or a postgresql:// URL")
    # Only those who use the driver wait for its import.
    conninfo, psycopg = import_module("psycopg.conninfo"), import_module("psycopg")
    try:
        conninfo.conninfo_to_dict(value)
    except psycopg.ProgrammingError:
        # The driver's words repeat the URL with the password in it.
        raise ValueError("the URL of the store is not one that PostgreSQL understands") from None
    return value


class Settings(BaseSettings):
    """All settings of the service; docs/settings.md describes each."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_file=".env", extra="forbid", frozen=True)

    store: Annotated[Path | str, BeforeValidator(_store_location)] = Field(
        Path("resus.sqlite"), description="The SQLite file of the store, or the postgresql:// URL of a database."
    )
    endpoint_store: Path | None = Field(
        None, description="The SQLite file of the embedded endpoint; by default in the folder of the store's file."
    )
    destination: HttpUrl | None = Field(
        None, description="Base URL of the FHIR server; without it, the embedded endpoint at /fhir is used."
    )
    source: str = Field(
        "urn:example:resus-fhir",
        pattern=r"^[A-Za-z][A-Za-z0-9+.-]*:\S+$",
        description="URI of this installation; every resource id and identifier is made from it. Set it once.",
    )
    mappings: Path | None = Field(
        None, description="Folder of the site's overlay over the mapping data; no overlay by default."
    )
    auth: AuthMode = Field(AuthMode.NONE, description="none (only on a loopback address) or tokens.")
    tokens: Path | None = Field(None, description="File of hashed tokens, for RESUS_AUTH=tokens.")
    retry_first_seconds: float = Field(1, gt=0, le=3600, description="Pause before the first retry.")
    retry_max_seconds: float = Field(300, gt=0, le=86400, description="Longest pause between retries.")
    retry_most_errors: int = Field(20, ge=1, le=1000, description="A delivery is held after so many errors (500).")
    body_max_bytes: int = Field(1024 * 1024, ge=1024, le=64 * 1024 * 1024, description="Largest request body.")
    bundle_max_entries: int = Field(20, ge=1, le=100, description="Most resources in one Bundle.")
    bundle_max_bytes: int = Field(1024 * 1024, ge=16 * 1024, description="Largest Bundle.")
    connections: int = Field(8, ge=1, le=32, description="Most connections to the destination at a time.")
    timeout_seconds: float = Field(30, gt=0, le=600, description="How long the destination may take to answer.")
    strategy: Strategy = Field(
        Strategy.AUTO, description="auto (by /metadata), client-ids, conditional-update or conditional-create."
    )
    leave_out_types: str | None = Field(
        None,
        pattern=r"^[A-Z][A-Za-z]*(,[A-Z][A-Za-z]*)*$",
        description="Resource types that are not sent, separated by commas; the audit log tells each time.",
    )
    verify_hours: float = Field(0, ge=0, le=8760, description="Hours between two read-backs; 0: never.")
    destination_auth: DestinationAuth = Field(
        DestinationAuth.NONE, description="How we prove to the destination who we are: none, basic, bearer, smart."
    )
    destination_user: str | None = Field(None, pattern=r"^[^:\x00-\x1f]+$", description="The user, for basic.")
    destination_password_file: Path | None = Field(None, description="File with the password, for basic.")
    destination_token_file: Path | None = Field(None, description="File with the token, for bearer.")
    destination_token_url: HttpUrl | None = Field(None, description="The token endpoint, for smart.")
    destination_audience: str | None = Field(
        None, description="The audience of our assertions, for smart; by default the token endpoint's address."
    )
    destination_client_id: str | None = Field(None, description="Our client id, for smart.")
    destination_scopes: str = Field("system/*.crus", description="The scopes that we ask for, for smart.")
    destination_key_file: Path | None = Field(None, description="Our private key (JWK or PEM), for smart.")
    destination_key_id: str | None = Field(None, description="The id (kid) of that key.")
    destination_previous_key_file: Path | None = Field(None, description="The previous key, still in our JWKS.")
    destination_previous_key_id: str | None = Field(None, description="The id (kid) of the previous key.")
    destination_client_certificate: Path | None = Field(None, description="Our TLS certificate (PEM).")
    destination_client_key: Path | None = Field(None, description="The key of our TLS certificate (PEM).")
    destination_ca_file: Path | None = Field(None, description="Certificates to trust, instead of the usual ones.")

    @model_validator(mode="after")
    def _belong_together(self) -> Settings:
        if self.auth is AuthMode.TOKENS and self.tokens is None:
            raise ValueError("RESUS_AUTH=tokens needs RESUS_TOKENS, the file of hashed tokens")
        if self.retry_first_seconds > self.retry_max_seconds:
            raise ValueError("RESUS_RETRY_FIRST_SECONDS is longer than RESUS_RETRY_MAX_SECONDS")
        self._check_destination()
        return self

    def _check_destination(self) -> None:
        """Raise ValueError where the settings of the destination do not belong together."""
        auth = self.destination_auth
        for name in _NEEDED_FOR[auth]:
            if getattr(self, name) is None:
                raise ValueError(f"RESUS_DESTINATION_AUTH={auth.value} needs {PREFIX}{name.upper()}")
        if auth is not DestinationAuth.NONE and self.destination is None:
            raise ValueError(f"RESUS_DESTINATION_AUTH={auth.value} needs RESUS_DESTINATION")
        if (self.destination_client_certificate is None) != (self.destination_client_key is None):
            raise ValueError(
                "RESUS_DESTINATION_CLIENT_CERTIFICATE and RESUS_DESTINATION_CLIENT_KEY must be set together"
            )
        secrets_go_to = (self.destination, self.destination_token_url) if auth is not DestinationAuth.NONE else ()
        for url in secrets_go_to:
            if url is not None and url.scheme != "https" and not is_loopback((url.host or "").strip("[]")):
                raise ValueError("credentials are sent over https only, except to an address of this machine")
        if self.destination is not None and (self.destination.username or self.destination.password):
            raise ValueError(
                "RESUS_DESTINATION must not contain user or password; use RESUS_DESTINATION_AUTH=basic"
            )

    @property
    def left_out_types(self) -> frozenset[str]:
        """Return the resource types that are not sent."""
        return frozenset(self.leave_out_types.split(",")) if self.leave_out_types else frozenset()


def read_settings(environment: Mapping[str, str]) -> Settings:
    """Return the settings; WrongSettings for a name that does not exist or a value that cannot be used."""
    known = {PREFIX + name.upper() for name in Settings.model_fields}
    unknown = sorted(name for name in environment if name.startswith(PREFIX) and name.upper() not in known)
    if unknown:
        raise WrongSettings(f"no such setting: {', '.join(unknown)}; known settings: {', '.join(sorted(known))}")
    try:
        return Settings()
    except ValidationError as error:
        raise WrongSettings("; ".join(_sentence(item) for item in error.errors())) from error


def _sentence(error: ErrorDetails) -> str:
    location = error["loc"]
    if error["type"] == "extra_forbidden":
        # Names in the environment were looked at before, so this one is in the file.
        return f"no such setting in .env: {str(location[0]).upper()}"
    name = PREFIX + str(location[0]).upper() if location else "the settings"
    return f"{name}: {error['msg'].removeprefix('Value error, ')}"


def is_loopback(host: str) -> bool:
    """Return whether an address can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
