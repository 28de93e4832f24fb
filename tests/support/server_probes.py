"""Finds out by trying what a FHIR server does of that which decides how we deliver to it; in words, for a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import pairwise

import httpx

from service.delivery.read_capabilities import choose_strategy, read_capabilities
from service.exact_json import read_json
from service.settings import Strategy
from tests.support.fhir_requests import (
    IDENTIFIERS,
    Resource,
    conditional_create,
    conditional_update,
    fhir_client,
    new_id,
    observation,
    patient,
    put,
    put_entry,
    statuses,
    transact,
)
from tests.support.fhir_search import PRODUCED_TYPES

Probe = Callable[[httpx.Client], str]
# The sizes around which servers are known to draw a line; we send at most 100 entries.
_SIZES = (1, 8, 9, 50, 51, 100)


def _statement(client: httpx.Client) -> Resource:
    statement: Resource = client.get("/metadata").json()
    return statement


def _said(name: str) -> Probe:
    def probe(client: httpx.Client) -> str:
        (rest,) = _statement(client)["rest"]
        ours = [resource for resource in rest["resource"] if resource["type"] in PRODUCED_TYPES]
        values = {resource.get(name) for resource in ours}
        assert len(values) == 1, values
        return {True: "yes", False: "no", None: "not said"}[values.pop()]

    return probe


def _unlisted(client: httpx.Client) -> str:
    capabilities = read_capabilities(_statement(client))
    return ", ".join(sorted(set(PRODUCED_TYPES) - set(capabilities.types))) or "none"


def _auto(client: httpx.Client) -> str:
    chosen = choose_strategy(read_capabilities(_statement(client)), PRODUCED_TYPES, Strategy.AUTO)
    return f"`{chosen.value}`"


def _put_new(client: httpx.Client) -> str:
    return str(put(client, patient("put-new", id=new_id())).status_code)


def _put_digits(client: httpx.Client) -> str:
    return str(put(client, patient("put-digits", id="4711")).status_code)


def _put_same(client: httpx.Client) -> str:
    resource = patient("put-same", id=new_id())
    first, second = put(client, resource), put(client, resource)
    return "no new version" if first.headers["ETag"] == second.headers["ETag"] else "a new version"


def _stale(client: httpx.Client) -> str:
    resource = patient("probe-stale", id=new_id())
    stale = put(client, resource).headers["ETag"]
    put(client, {**resource, "active": True})
    return str(put(client, resource, If_Match=stale).status_code)


def _most(name: str, entry: Callable[[str], Resource]) -> Probe:
    def probe(client: httpx.Client) -> str:
        taken = [
            transact(client, *(entry(f"{name}-{size}-{number}") for number in range(size))).status_code == 200
            for size in _SIZES
        ]
        assert taken[0]
        assert all(before or not after for before, after in pairwise(taken)), taken
        return "100 or more" if all(taken) else str(_SIZES[taken.index(False) - 1])

    return probe


def _put_of(key: str) -> Resource:
    return put_entry(patient(key, id=new_id()))


def _several(name: str, entry: Callable[[str], Resource]) -> Probe:
    def probe(client: httpx.Client) -> str:
        key = f"several-{name}"
        transact(client, _put_of(key), _put_of(key))
        return str(transact(client, entry(key)).status_code)

    return probe


def _twin(client: httpx.Client) -> str:
    answers = statuses(transact(client, conditional_create("probe-twin"), conditional_create("probe-twin")))
    made = answers.count(201)
    return f"{made} made, {len(answers)} of 2 answered"


def _forward(client: httpx.Client) -> str:
    subject = patient("forward", id=new_id())
    found = observation(f"urn:uuid:{subject['id']}", id=new_id())
    transact(client, put_entry(found), put_entry(subject))
    stored = client.get(f"/Observation/{found['id']}").json()["subject"]["reference"]
    return "replaced" if stored == f"Patient/{subject['id']}" else "left as it is"


def _in_identifier(client: httpx.Client) -> str:
    urn = f"urn:uuid:{new_id()}"
    resource = {"resourceType": "Patient", "identifier": [{"system": "urn:ietf:rfc:3986", "value": urn}]}
    entry = {"fullUrl": urn, "resource": resource, "request": {"method": "POST", "url": "Patient"}}
    place = transact(client, entry).json()["entry"][0]["response"]["location"].split("/")
    stored = client.get(f"/Patient/{place[place.index('Patient') + 1]}").json()
    return "left as it is" if stored["identifier"][0]["value"] == urn else "replaced too"


def _reference_of(client: httpx.Client, subject: str) -> str:
    found = observation(subject, id=new_id())
    answer = transact(client, put_entry(found))
    if answer.status_code != 200:
        return str(answer.status_code)
    stored = client.get(f"/Observation/{found['id']}").json()["subject"]["reference"]
    return "left as it is" if stored == subject else "resolved"


def _dangling(client: httpx.Client) -> str:
    return _reference_of(client, f"Patient/{new_id()}")


def _conditional_reference(client: httpx.Client) -> str:
    put(client, patient("probe-referred", id=new_id()))
    return _reference_of(client, f"Patient?identifier={IDENTIFIERS}|probe-referred")


def _atomic(client: httpx.Client) -> str:
    held = patient("probe-held", id=new_id())
    stale = put(client, held).headers["ETag"]
    put(client, {**held, "active": True})
    refused = transact(client, _put_of("probe-atomic"), put_entry(held, ifMatch=stale))
    there = client.get("/Patient", params={"identifier": f"{IDENTIFIERS}|probe-atomic"}).json()["total"]
    return f"{refused.status_code}, {'nothing' if there == 0 else 'a part'} stored"


def _faulty(**changes: object) -> Probe:
    def probe(client: httpx.Client) -> str:
        subject = patient("probe-faulty", id=new_id())
        put(client, subject)
        whole = observation(f"Patient/{subject['id']}", id=new_id(), **changes)
        sent = {name: value for name, value in whole.items() if value is not None}
        return "taken" if put(client, sent).status_code < 300 else "refused"

    return probe


def _zeros(client: httpx.Client) -> str:
    subject = patient("probe-zeros", id=new_id())
    put(client, subject)
    sent = observation(f"Patient/{subject['id']}", id=new_id(), valueQuantity={"value": read_json(b"1.50")})
    put(client, sent)
    return "kept" if '"value":1.50' in client.get(f"/Observation/{sent['id']}").text.replace(" ", "") else "lost"


def _tag(client: httpx.Client) -> str:
    resource = patient("probe-tag", id=new_id())
    put(client, {**resource, "meta": {"tag": [{"system": "urn:example:tags", "code": "t"}]}})
    put(client, {**resource, "active": True})
    return "stays" if "tag" in client.get(f"/Patient/{resource['id']}").json()["meta"] else "goes"


def _deleted(client: httpx.Client) -> str:
    resource = patient("probe-deleted", id=new_id())
    put(client, resource)
    client.delete(f"/Patient/{resource['id']}")
    read = client.get(f"/Patient/{resource['id']}").status_code
    return f"{read}, then {put(client, resource).status_code}"


PROBES: Mapping[str, Probe] = {
    "says: ids of the client's choice (`updateCreate`)": _said("updateCreate"),
    "says: conditional create": _said("conditionalCreate"),
    "says: conditional update": _said("conditionalUpdate"),
    "types of ours that it does not list": _unlisted,
    "`auto` comes to": _auto,
    "`PUT` under a new UUID": _put_new,
    "`PUT` under a new id of digits": _put_digits,
    "the same `PUT` again makes": _put_same,
    "`PUT` with a stale `If-Match`": _stale,
    "most `PUT` entries in a transaction": _most("puts", _put_of),
    "most conditional creates in a transaction": _most("creates", conditional_create),
    "most conditional updates that create, in a transaction": _most("updates", conditional_update),
    "conditional create where several match": _several("create", conditional_create),
    "conditional update where several match": _several("update", conditional_update),
    "the same conditional create twice in a transaction": _twin,
    "a `fullUrl` that an earlier entry refers to": _forward,
    "a `fullUrl` that an identifier holds": _in_identifier,
    "a reference to what is not there": _dangling,
    "a conditional reference": _conditional_reference,
    "a transaction of a good entry and one with a stale `ifMatch`": _atomic,
    "a resource without a required element": _faulty(status=None),
    "a code outside a required value set": _faulty(status="nonsense"),
    "an element that does not exist": _faulty(unknown="x"),
    "zeros at the end of a number": _zeros,
    "a tag that an update leaves out": _tag,
    "a deleted resource read, then put": _deleted,
}


def ask_server(base_url: str) -> dict[str, str]:
    """Return the server's answer to each of the PROBES; it writes to the server, and can be asked only once."""
    with fhir_client(base_url) as client:
        return {question: probe(client) for question, probe in PROBES.items()}
