"""A case is delivered to servers that want to know who we are: over real sockets, with real tokens and real TLS."""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from joserfc.jwk import ECKey, RSAKey
from pydantic import HttpUrl
from starlette.types import ASGIApp

from service.demo import free_port
from service.exact_json import write_json
from service.settings import Settings
from tests.support.certificates import Authority
from tests.support.compare_arrival import assert_arrived_once_under_our_ids
from tests.support.delivering_service import Client, post_demo, quick_settings, running_service, wait_until
from tests.support.faulty_fhir_server import FaultyServer, Site, redirecting
from tests.support.served_in_thread import ServedTls, served
from tests.support.token_endpoint import TokenEndpoint, WantsAuthorisation

CASE = "c-demo"


class Place:
    """A FHIR server behind something that wants proof, and the address at which it stands."""

    def __init__(self, base: str, wants: WantsAuthorisation, server: FaultyServer) -> None:
        self.base = base
        self.wants = wants
        self.server = server


@contextmanager
def guarded_server(tmp_path: Path, accepts: Any, tls: ServedTls | None = None) -> Iterator[Place]:
    site = Site(tmp_path / "server.sqlite")
    wants = WantsAuthorisation(site.server, accepts)
    port = free_port()
    scheme = "https" if tls else "http"
    try:
        with served(wants, port, lifespan="off", tls=tls):
            yield Place(f"{scheme}://127.0.0.1:{port}/fhir", wants, site.server)
    finally:
        site.close()


def assert_waits_with(client: Client, *words: str) -> None:
    """Assert that the destination's problem comes to say all of the words, all waits, and nothing is held."""

    def told() -> str:
        return str(client.call("GET", "/v1/destination")["problem"])

    wait_until(lambda: all(word in told() for word in words), 8, told)
    post_demo(client)
    assert client.deliveries("held") == []
    assert len(client.deliveries("waiting")) > 10


def everything_said(client: Client) -> str:
    """Return all that the service tells of itself, to look for what it must not tell."""
    told = [client.call("GET", "/v1/destination"), client.deliveries("waiting"), client.audit()]
    return write_json(told).decode()


def test_a_password_that_is_wrong_at_first_lets_all_arrive_once_it_is_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    password = tmp_path / "password"
    password.write_text("hush-wrong")
    right = httpx.BasicAuth("resus", "hush-right")._auth_header
    settings: dict[str, Any] = {
        "destination_auth": "basic",
        "destination_user": "resus",
        "destination_password_file": password,
    }
    with (
        guarded_server(tmp_path, lambda value: value == right) as place,
        running_service(quick_settings(tmp_path / "s.sqlite", place.base, **settings)) as client,
    ):
        assert_waits_with(client, "401", "credentials")
        password.write_text("hush-right")
        client.until_nothing_waits()
        assert assert_arrived_once_under_our_ids(client, place_open(place, right), [CASE]) > 20
        assert "hush" not in everything_said(client)
    said = capsys.readouterr()
    assert "hush" not in said.out + said.err


def place_open(place: Place, header: str) -> str:
    """Return the base of a server that lets the test look in without proof, its `header` having been seen."""
    assert header in place.wants.seen
    place.wants._accepts = lambda _value: True
    return place.base


def test_a_bearer_token_that_changes_in_its_file_is_taken_up_without_a_restart(tmp_path: Path) -> None:
    token = tmp_path / "token"
    token.write_text("hush-1")
    valid = {"Bearer hush-1"}
    settings: dict[str, Any] = {"destination_auth": "bearer", "destination_token_file": token}
    with (
        guarded_server(tmp_path, lambda value: value in valid) as place,
        running_service(quick_settings(tmp_path / "s.sqlite", place.base, **settings)) as client,
    ):
        wait_until(lambda: client.call("GET", "/v1/destination")["usable"], 8)
        valid.clear()
        valid.add("Bearer hush-2")
        token.write_text("hush-2")
        post_demo(client)
        client.until_nothing_waits()
        assert place.wants.refused == 0
        assert_arrived_once_under_our_ids(client, place_open(place, "Bearer hush-2"), [CASE])


@pytest.fixture
def keys(tmp_path: Path) -> dict[str, Path]:
    written = {}
    made = {
        "es": ECKey.generate_key("P-384").as_pem(private=True),
        "rs": RSAKey.generate_key(2048).as_pem(private=True),
    }
    for name, pem in made.items():
        written[name] = tmp_path / f"{name}.pem"
        written[name].write_bytes(pem)
    return written


class Smart:
    """A FHIR server that takes the tokens of a token endpoint, which proves assertions by the JWKS we serve."""

    def __init__(self, tmp_path: Path, lifetime: float = 300) -> None:
        self._service_base = ""
        self._port = free_port()
        self.site = Site(tmp_path / "server.sqlite")
        self.base = f"http://127.0.0.1:{self._port}/fhir"
        self.token_url = f"http://127.0.0.1:{self._port}/token"
        self.tokens = TokenEndpoint(self.token_url, "resus", self._fetch_keys, lifetime)
        self.wants = WantsAuthorisation(
            self.site.server, lambda value: (value or "").removeprefix("Bearer ") in self.tokens.valid
        )

    async def app(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer at both addresses."""
        answers: ASGIApp = self.tokens if scope["path"] == "/token" else self.wants
        await answers(scope, receive, send)

    def _fetch_keys(self) -> Mapping[str, Any]:
        answer = httpx.get(f"{self._service_base}/.well-known/jwks.json", trust_env=False)
        assert answer.headers["cache-control"] == "public, max-age=300"
        keys: dict[str, Any] = answer.json()
        return keys

    def settings(self, tmp_path: Path, **more: Any) -> Settings:
        return quick_settings(
            tmp_path / "s.sqlite",
            self.base,
            destination_auth="smart",
            destination_token_url=HttpUrl(self.token_url),
            destination_client_id="resus",
            **more,
        )

    @contextmanager
    def running(self, settings: Settings) -> Iterator[Client]:
        with ExitStack() as stack:
            stack.callback(self.site.close)
            stack.enter_context(served(self.app, self._port, lifespan="off"))
            client = stack.enter_context(running_service(settings))
            self._service_base = client.base
            yield client

    def open(self) -> str:
        self.wants._accepts = lambda _value: True
        return self.base


@pytest.mark.parametrize("name", ["es", "rs"])
def test_a_case_arrives_with_tokens_for_assertions_that_are_proved_by_our_public_keys(
    name: str, keys: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    smart = Smart(tmp_path)
    settings = smart.settings(
        tmp_path, destination_key_file=keys[name], destination_key_id="k-new", destination_scopes="system/*.cu"
    )
    with smart.running(settings) as client:
        post_demo(client)
        client.until_nothing_waits()
        assert len(smart.tokens.issued) == 1
        assert smart.tokens.scopes == ["system/*.cu"]
        told = everything_said(client)
        assert "token-0" not in told
        assert_arrived_once_under_our_ids(client, smart.open(), [CASE])
    said = capsys.readouterr()
    assert "token-0" not in said.out + said.err


def test_a_token_that_is_revoked_is_replaced_once_and_nothing_is_lost(
    keys: dict[str, Path], tmp_path: Path
) -> None:
    smart = Smart(tmp_path)
    with smart.running(smart.settings(tmp_path, destination_key_file=keys["es"])) as client:
        wait_until(lambda: client.call("GET", "/v1/destination")["usable"], 8)
        smart.tokens.valid.clear()
        post_demo(client)
        client.until_nothing_waits()
        assert len(smart.tokens.issued) == 2
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, smart.open(), [CASE])


def test_a_token_of_a_short_life_is_renewed_before_it_expires_while_deliveries_go_on(
    keys: dict[str, Path], tmp_path: Path
) -> None:
    smart = Smart(tmp_path, lifetime=0.4)
    with smart.running(smart.settings(tmp_path, destination_key_file=keys["es"])) as client:
        for number in range(6):
            client.call(
                "PUT", f"/v1/devices/D-{number}", {"type": "defibrillator", "serial": str(number)}, wanted=201
            )
            client.until_nothing_waits()
        wait_until(lambda: len(smart.tokens.issued) > 0, 1)
        assert smart.wants.refused == 0
        assert len(smart.tokens.used) == len(smart.tokens.issued)


def test_during_a_rotation_the_server_proves_both_keys(keys: dict[str, Path], tmp_path: Path) -> None:
    smart = Smart(tmp_path)
    settings = smart.settings(
        tmp_path,
        destination_key_file=keys["es"],
        destination_key_id="new",
        destination_previous_key_file=keys["rs"],
        destination_previous_key_id="old",
    )
    with smart.running(settings) as client:
        wait_until(lambda: client.call("GET", "/v1/destination")["usable"], 8)
        shown = client.call("GET", "/.well-known/jwks.json")["keys"]
        assert [(key["kid"], key["alg"], key["use"]) for key in shown] == [
            ("new", "ES384", "sig"),
            ("old", "RS384", "sig"),
        ]
        assert not {"d", "p", "q", "dp", "dq", "qi"} & {member for key in shown for member in key}
        assert set(smart.tokens.kids) == {"new"}


def test_a_client_that_the_token_endpoint_refuses_is_told_and_everything_waits(
    keys: dict[str, Path], tmp_path: Path
) -> None:
    smart = Smart(tmp_path)
    settings = smart.settings(
        tmp_path, destination_key_file=keys["es"], destination_audience="https://other.example"
    )
    with smart.running(settings) as client:
        assert_waits_with(client, "the token endpoint refused us: 400 (invalid_client)")
        assert "aud" in smart.tokens.refusals
        assert not smart.tokens.issued


def test_a_redirect_gets_neither_the_bundle_nor_the_token(keys: dict[str, Path], tmp_path: Path) -> None:
    smart = Smart(tmp_path)
    elsewhere: list[Any] = []

    async def other_host(scope: Any, _receive: Any, send: Any) -> None:
        elsewhere.append(scope)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    port = free_port()
    with served(other_host, port, lifespan="off"):
        smart.site.server.standing = redirecting(f"http://127.0.0.1:{port}/fhir")
        smart.site.server.metadata = redirecting(f"http://127.0.0.1:{port}/fhir/metadata")
        with smart.running(smart.settings(tmp_path, destination_key_file=keys["es"])) as client:
            assert_waits_with(client, "307", f"a redirect to 127.0.0.1:{port}, which is not followed")
    assert elsewhere == []


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path, "trusted")


def _anyone(_value: str | None) -> bool:
    return True


def test_a_case_arrives_over_tls_of_an_authority_of_ones_own(authority: Authority, tmp_path: Path) -> None:
    pair = authority.sign("server")
    with guarded_server(tmp_path, _anyone, ServedTls(pair.certificate, pair.key)) as place:
        settings = quick_settings(tmp_path / "s.sqlite", place.base, destination_ca_file=authority.file)
        with running_service(settings) as client:
            post_demo(client)
            client.until_nothing_waits()
            client.http.close()
            client.http = httpx.Client(trust_env=False, verify=ssl.create_default_context(cafile=authority.file))
            assert_arrived_once_under_our_ids(client, place.base, [CASE])


@pytest.mark.parametrize(
    ("expired", "trusted", "told"),
    [
        (True, True, "is not accepted: certificate has expired"),
        (False, False, "is not accepted: unable to get local issuer certificate"),
    ],
)
def test_a_certificate_that_is_not_good_is_told_in_a_sentence_and_everything_waits(
    *, expired: bool, trusted: bool, told: str, authority: Authority, tmp_path: Path
) -> None:
    pair = authority.sign("server", expired=expired)
    trust = authority if trusted else Authority(tmp_path, "another")
    with guarded_server(tmp_path, _anyone, ServedTls(pair.certificate, pair.key)) as place:
        settings = quick_settings(tmp_path / "s.sqlite", place.base, destination_ca_file=trust.file)
        with running_service(settings) as client:
            assert_waits_with(client, f"the certificate of 127.0.0.1:{httpx.URL(place.base).port}", told)
        assert place.wants.seen == []


def test_a_server_that_wants_our_certificate_gets_it_and_without_it_everything_waits(
    authority: Authority, tmp_path: Path
) -> None:
    pair, ours = authority.sign("server"), authority.sign("client")
    with guarded_server(tmp_path, _anyone, ServedTls(pair.certificate, pair.key, authority.file)) as place:
        trust: dict[str, Any] = {"destination_ca_file": authority.file}
        with running_service(quick_settings(tmp_path / "s.sqlite", place.base, **trust)) as client:
            assert_waits_with(client, "ertificate", "127.0.0.1")
        shown: dict[str, Any] = {
            "destination_client_certificate": ours.certificate,
            "destination_client_key": ours.key,
        }
        with running_service(quick_settings(tmp_path / "s.sqlite", place.base, **trust, **shown)) as client:
            client.until_nothing_waits()
            assert client.deliveries("held") == []
            assert len(place.server.posts) > 0
