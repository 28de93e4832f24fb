"""Makes the client of the destination from the settings: TLS, authorisation, limits."""

from __future__ import annotations

import ssl
from typing import Any, TypeVar, assert_never

import certifi

from service.clock import Clock, random_id
from service.delivery.authorise import (
    Authorisation,
    BasicAuthorisation,
    BearerAuthorisation,
    NoAuthorisation,
    SecretFile,
    readable,
)
from service.delivery.backend_services import BackendServices, TokenRequest
from service.delivery.exchange import HttpPool
from service.delivery.fhir_client import FhirClient
from service.settings import DestinationAuth, Settings, WrongSettings

T = TypeVar("T")


def connect_destination(
    settings: Settings, base: str, clock: Clock, authorisation: Authorisation | None = None
) -> FhirClient:
    """Return a client of the server at `base`, which has not connected yet.

    `authorisation` stands in place of that of the settings. Raises WrongSettings where a file that the settings
    name cannot be used.
    """
    tls = make_tls_context(settings)
    return FhirClient(
        base,
        connections=settings.connections,
        timeout_seconds=settings.timeout_seconds,
        tls=tls,
        authorisation=authorisation or make_authorisation(settings, clock, tls),
    )


def make_authorisation(settings: Settings, clock: Clock, tls: ssl.SSLContext) -> Authorisation:
    """Return what the settings say of how we prove who we are; WrongSettings where a file cannot be used."""
    match settings.destination_auth:
        case DestinationAuth.NONE:
            return NoAuthorisation()
        case DestinationAuth.BASIC:
            file = _needed(settings.destination_password_file)
            secret = readable(SecretFile(file), "RESUS_DESTINATION_PASSWORD_FILE")
            return BasicAuthorisation(_needed(settings.destination_user), secret)
        case DestinationAuth.BEARER:
            file = _needed(settings.destination_token_file)
            return BearerAuthorisation(readable(SecretFile(file), "RESUS_DESTINATION_TOKEN_FILE"))
        case DestinationAuth.SMART:
            token_url = str(_needed(settings.destination_token_url))
            asked = TokenRequest(
                token_url,
                settings.destination_audience or token_url,
                _needed(settings.destination_client_id),
                settings.destination_scopes,
            )
            http = HttpPool(connections=1, tls=tls)
            from service.delivery.client_keys import signing_key  # noqa: PLC0415 - as in `public_keys`.

            key = _needed(signing_key(settings))
            return BackendServices(asked, key, http, settings.timeout_seconds, clock=clock, make_id=random_id)
        case _:
            assert_never(settings.destination_auth)


def public_keys(settings: Settings) -> dict[str, Any]:
    """Return our JWKS, as `client_keys` has it; without a key file there is no key in it."""
    if settings.destination_key_file is None and settings.destination_previous_key_file is None:
        return {"keys": []}
    # A start without a key does not wait for the library that reads keys.
    from service.delivery import client_keys  # noqa: PLC0415 - the sentence above says why.

    return client_keys.public_keys(settings)


def _needed(value: T | None) -> T:
    """Return a value that the settings have checked to be there."""
    if value is None:
        raise WrongSettings("a setting is missing that RESUS_DESTINATION_AUTH needs")
    return value


def make_tls_context(settings: Settings) -> ssl.SSLContext:
    """Return the TLS context: whom we trust, and our certificate; WrongSettings where a file cannot be used."""
    authorities = settings.destination_ca_file
    try:
        context = ssl.create_default_context(cafile=authorities or certifi.where())
    except (OSError, ssl.SSLError) as error:
        message = f"RESUS_DESTINATION_CA_FILE: {authorities} holds no certificates as PEM: {type(error).__name__}"
        raise WrongSettings(message) from None
    if settings.destination_client_certificate is not None:
        try:
            # A key with a password would have OpenSSL ask for it at the terminal.
            context.load_cert_chain(
                settings.destination_client_certificate, settings.destination_client_key, password=lambda: ""
            )
        except (OSError, ssl.SSLError) as error:
            raise WrongSettings(
                "RESUS_DESTINATION_CLIENT_CERTIFICATE, RESUS_DESTINATION_CLIENT_KEY: they hold no certificate and"
                f" its key as PEM without a password: {type(error).__name__}"
            ) from None
    return context
