"""Settings, from the environment (prefix RESUS_) or a .env file; a name that does not exist stops the start."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path

from pydantic import Field, HttpUrl, ValidationError, model_validator
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, SettingsConfigDict

PREFIX = "RESUS_"


class WrongSettings(Exception):  # noqa: N818 - it says what is wrong; it stops the start.
    """The settings cannot be used; the message says which and why, without their values."""


class AuthMode(StrEnum):
    """How callers prove who they are."""

    NONE = "none"
    TOKENS = "tokens"


class Strategy(StrEnum):
    """How a resource is addressed at the destination so that it arrives once."""

    AUTO = "auto"
    CLIENT_IDS = "client-ids"
    CONDITIONAL_UPDATE = "conditional-update"
    CONDITIONAL_CREATE = "conditional-create"


class Settings(BaseSettings):
    """All settings of the service; docs/settings.md describes each."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_file=".env", extra="forbid", frozen=True)

    store: Path = Field(Path("resus.sqlite"), description="The SQLite file of the store.")
    destination: HttpUrl | None = Field(
        None, description="Base URL of the FHIR server; absent for the embedded endpoint at /fhir."
    )
    source: str = Field(
        "urn:example:resus-fhir",
        pattern=r"^[A-Za-z][A-Za-z0-9+.-]*:\S+$",
        description="URI of this installation; every resource id and identifier is made from it. Set it once.",
    )
    mappings: Path | None = Field(
        None, description="Folder of the site's overlay over the mapping data; absent for none."
    )
    auth: AuthMode = Field(AuthMode.NONE, description="none (only on a loopback address) or tokens.")
    tokens: Path | None = Field(None, description="File of hashed tokens, for RESUS_AUTH=tokens.")
    retry_first_seconds: float = Field(1, gt=0, le=3600, description="Pause before the first retry.")
    retry_max_seconds: float = Field(300, gt=0, le=86400, description="Longest pause between retries.")
    body_max_bytes: int = Field(1024 * 1024, ge=1024, le=64 * 1024 * 1024, description="Largest body taken.")
    bundle_max_entries: int = Field(20, ge=1, le=100, description="Most resources in one Bundle sent.")
    bundle_max_bytes: int = Field(1024 * 1024, ge=16 * 1024, description="Largest Bundle sent.")
    connections: int = Field(8, ge=1, le=8, description="Most connections to the destination at a time.")
    timeout_seconds: float = Field(30, gt=0, le=600, description="How long the destination may take to answer.")
    strategy: Strategy = Field(
        Strategy.AUTO, description="auto (what /metadata says), client-ids, conditional-update, conditional-create."
    )

    @model_validator(mode="after")
    def _belong_together(self) -> Settings:
        if self.auth is AuthMode.TOKENS and self.tokens is None:
            raise ValueError("RESUS_AUTH=tokens needs RESUS_TOKENS, the file of hashed tokens")
        if self.retry_first_seconds > self.retry_max_seconds:
            raise ValueError("RESUS_RETRY_FIRST_SECONDS is longer than RESUS_RETRY_MAX_SECONDS")
        return self


def read_settings(environment: Mapping[str, str]) -> Settings:
    """Return the settings; WrongSettings for a name that does not exist or a value that cannot be used."""
    known = {PREFIX + name.upper() for name in Settings.model_fields}
    unknown = sorted(name for name in environment if name.startswith(PREFIX) and name.upper() not in known)
    if unknown:
        raise WrongSettings(f"no such setting: {', '.join(unknown)}; known are: {', '.join(sorted(known))}")
    try:
        return Settings()
    except ValidationError as error:
        raise WrongSettings("; ".join(_sentence(item) for item in error.errors())) from error


def _sentence(error: ErrorDetails) -> str:
    location = error["loc"]
    if error["type"] == "extra_forbidden":
        # Names in the environment were looked at before, so this one stands in the file.
        return f"no such setting in .env: {str(location[0]).upper()}"
    name = PREFIX + str(location[0]).upper() if location else "the settings"
    return f"{name}: {error['msg']}"


def is_loopback(host: str) -> bool:
    """Return whether an address is reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
