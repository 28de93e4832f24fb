"""Assertions and tokens of SMART Backend Services."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import pytest
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet

from service.clock import random_id, system_clock
from service.delivery.authorise import NotAuthorisedError
from service.delivery.backend_services import BackendServices, TokenRequest
from service.delivery.client_keys import ClientKey, read_client_key
from service.delivery.exchange import Answer, Request, UnreachableError
from service.exact_json import write_json

ASKED = TokenRequest("https://login.example/token", "https://login.example/token", "resus", "system/*.crus")
GOOD = {"access_token": "abc", "token_type": "bearer", "expires_in": 300}


class Monotonic:
    """A clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def key(tmp_path: Path) -> ClientKey:
    file = tmp_path / "key.pem"
    file.write_bytes(ECKey.generate_key("P-384").as_pem(private=True))
    return read_client_key(file, "k-1", "RESUS_X")


Answers = Callable[[Request], Answer]


def says(status: int, members: Mapping[str, Any] | None = None) -> Answer:
    return Answer(status, {}, write_json(members) if members is not None else b"")


class TokenEndpoint:
    """Stands where the connection to the token endpoint would; the real one is met in the journeys."""

    def __init__(self, answers: Answers) -> None:
        self._answers = answers

    async def send(self, request: Request, timeout_seconds: float) -> Answer:  # noqa: ARG002 - the shape of `Http`.
        await asyncio.sleep(0.01)
        return self._answers(request)

    async def close(self) -> None:
        pass


def _services(key: ClientKey, answers: Answers, monotonic: Monotonic | None = None) -> BackendServices:
    return BackendServices(
        ASKED,
        key,
        TokenEndpoint(answers),
        5,
        clock=system_clock,
        make_id=random_id,
        monotonic=monotonic or Monotonic(),
    )


def test_an_assertion_says_who_for_whom_until_when_and_is_never_the_same(key: ClientKey) -> None:
    requests: list[Request] = []

    def answers(request: Request) -> Answer:
        requests.append(request)
        return says(200, GOOD)

    now = datetime(2031, 3, 2, 20, 50, 17, tzinfo=UTC)
    http = TokenEndpoint(answers)
    services = BackendServices(ASKED, key, http, 5, clock=lambda: now, make_id=random_id, monotonic=Monotonic())

    async def twice() -> None:
        assert await services.header() == "Bearer abc"
        await services.renew("Bearer abc")

    asyncio.run(twice())
    forms = [parse_qs((request.body or b"").decode()) for request in requests]
    keys = KeySet.import_key_set({"keys": [key.public()]})
    first, second = (jwt.decode(form["client_assertion"][0], keys, algorithms=["ES384"]) for form in forms)
    assert first.header == {"alg": "ES384", "kid": "k-1", "typ": "JWT"}
    assert (first.claims["iss"], first.claims["sub"], first.claims["aud"]) == ("resus", "resus", ASKED.audience)
    assert 0 < first.claims["exp"] - int(now.timestamp()) <= 300
    assert first.claims["jti"] != second.claims["jti"]
    assert forms[0]["grant_type"] == ["client_credentials"]
    assert forms[0]["scope"] == ["system/*.crus"]


def test_a_token_is_kept_and_renewed_30_to_60_seconds_before_it_expires(key: ClientKey) -> None:
    moments: list[float] = []
    monotonic = Monotonic()

    def answers(_request: Request) -> Answer:
        moments.append(monotonic.now)
        return says(200, GOOD)

    services = _services(key, answers, monotonic)

    async def live() -> None:
        for _ in range(4000):
            await services.header()
            monotonic.now += 0.5

    asyncio.run(live())
    lives = [later - earlier for earlier, later in pairwise(moments)]
    assert len(lives) >= 6
    assert all(240 <= life <= 270.5 for life in lives), lives
    assert len(set(lives)) > 1, "every token is renewed at a moment of its own"


def test_a_token_of_a_short_life_is_renewed_after_half_of_it(key: ClientKey) -> None:
    monotonic = Monotonic()
    count = 0

    def answers(_request: Request) -> Answer:
        nonlocal count
        count += 1
        return says(200, {**GOOD, "expires_in": 20})

    services = _services(key, answers, monotonic)

    async def live() -> None:
        await services.header()
        monotonic.now += 9.9
        await services.header()
        assert count == 1
        monotonic.now += 0.2
        await services.header()
        assert count == 2

    asyncio.run(live())


def test_many_that_need_a_token_at_once_ask_for_one(key: ClientKey) -> None:
    count = 0

    def answers(_request: Request) -> Answer:
        nonlocal count
        count += 1
        return says(200, {**GOOD, "access_token": f"t-{count}"})

    services = _services(key, answers)

    async def crowd() -> None:
        assert set(await asyncio.gather(*(services.header() for _ in range(20)))) == {"Bearer t-1"}
        # All of them were answered 401 with the first token, and one new token serves them all.
        assert all(await asyncio.gather(*(services.renew("Bearer t-1") for _ in range(20))))
        assert await services.header() == "Bearer t-2"

    asyncio.run(crowd())
    assert count == 2


REFUSALS = {
    "400 with a code": (
        says(400, {"error": "invalid_client"}),
        r"refused us: 400 \(invalid_client\)",
    ),
    "401 with no code": (Answer(401, {}, b"<html>hush</html>"), "refused us: 401$"),
    "a redirect": (Answer(302, {"location": "https://other.example"}, b""), "302: redirects are not"),
    "no token": (says(200, {"token_type": "bearer"}), "without an access token"),
    "a token of two lines": (
        says(200, {**GOOD, "access_token": "hush\r\nX: y"}),
        "without an access",
    ),
    "another type": (says(200, {**GOOD, "token_type": "mac"}), "another type than bearer"),
    "html": (Answer(200, {}, b"<html>hush</html>"), "without an access token"),
    "a code that could carry data": (says(400, {"error": "hush hush"}), "refused us: 400$"),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_a_refusal_is_one_sentence_that_repeats_nothing_secret(name: str, key: ClientKey) -> None:
    answer, told = REFUSALS[name]
    with pytest.raises(NotAuthorisedError, match=told) as caught:
        asyncio.run(_services(key, lambda _request: answer).header())
    assert "hush" not in str(caught.value)
    assert "eyJ" not in str(caught.value)


@pytest.mark.parametrize("status", [408, 429, 500, 503])
def test_a_token_endpoint_that_is_not_well_is_unreachable(status: int, key: ClientKey) -> None:
    with pytest.raises(UnreachableError, match=f"the token endpoint answered {status}"):
        asyncio.run(_services(key, lambda _request: says(status)).header())


def test_a_token_endpoint_that_does_not_answer_is_unreachable(key: ClientKey) -> None:
    def fail(_request: Request) -> Answer:
        raise UnreachableError("no answer from login.example: it is away")

    with pytest.raises(
        UnreachableError, match=r"the token endpoint does not answer: no answer from login\.example"
    ):
        asyncio.run(_services(key, fail).header())


def test_a_refused_token_is_not_kept(key: ClientKey) -> None:
    answers = iter([says(200, GOOD), says(503), says(200, GOOD)])
    services = _services(key, lambda _request: next(answers))

    async def live() -> None:
        await services.header()
        with pytest.raises(UnreachableError):
            await services.renew("Bearer abc")
        assert await services.header() == "Bearer abc"

    asyncio.run(live())
    assert next(answers, None) is None


def test_the_key_and_the_token_stand_in_no_repr(key: ClientKey) -> None:
    services = _services(key, lambda _request: says(200, {**GOOD, "access_token": "hush"}))
    asyncio.run(services.header())
    assert "hush" not in repr(services)
    assert repr(key) == "ClientKey(kid='k-1', algorithm='ES384')"
