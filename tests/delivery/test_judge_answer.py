"""Each answer of a FHIR server has one verdict."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.exchange import Answer
from service.delivery.judge_answer import (
    Arrived,
    DestinationWrong,
    Later,
    Refused,
    ServerConflict,
    TooLarge,
    Verdict,
    judge_answer,
    retry_after_seconds,
)
from service.exact_json import write_json

NOW = datetime(2031, 3, 2, 9, 17, 43, tzinfo=UTC)
OUTCOME = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "business-rule"}]}
HTML = b"<html><body>Bad gateway</body></html>"


def answer(status: int, body: Any = b"", **headers: str) -> Answer:
    spelled = body if isinstance(body, bytes) else write_json(body)
    return Answer(status, {name.replace("_", "-"): value for name, value in headers.items()}, spelled)


def judge(given: Answer, entries: int) -> Verdict:
    return judge_answer(given, entries, NOW, repeats_safely=True)


def response(*entries: Any, kind: str = "transaction-response") -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def done(location: str, status: str = "201 Created") -> dict[str, Any]:
    return {"response": {"status": status, "location": location}}


def test_an_answer_for_every_entry_means_that_all_arrived_where_it_says() -> None:
    body = response(
        done("Patient/7/_history/3"),
        done("https://server.example/fhir/Observation/o-1/_history/1", "200 OK"),
        done("Procedure/8"),
        {"response": {"status": "200"}, "resource": {"resourceType": "Task", "id": "9"}},
        {"response": {"status": "200"}},
    )
    assert judge(answer(200, body), 5) == Arrived((("7", "3"), ("o-1", "1"), ("8", None), ("9", None), ("", None)))


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504, 599])
@pytest.mark.parametrize("body", [b"", HTML, write_json(OUTCOME)])
def test_when_nobody_knows_the_same_bytes_are_sent_again(status: int, body: bytes) -> None:
    is_down = status in (429, 502, 503, 504)
    wanted = Later(f"the server answered {status}", is_down=is_down, is_error=status in (500, 599))
    assert judge(answer(status, body), 1) == wanted


@pytest.mark.parametrize("body", [b"", HTML, b"[]", b"{", b"null", b'"done"'])
def test_a_success_that_cannot_be_read_is_as_good_as_no_answer(body: bytes) -> None:
    assert isinstance(judge(answer(200, body), 1), Later)


@pytest.mark.parametrize("status", [401, 403, 404, 405, 407, 410, 301, 302, 307, 308])
def test_a_wrong_address_or_credential_holds_nothing(status: int) -> None:
    assert isinstance(judge(answer(status, OUTCOME, location="https://elsewhere.example"), 1),
                      DestinationWrong)  # fmt: skip


@pytest.mark.parametrize(("status", "attempts"), [(409, 5), (412, 2)])
def test_a_conflict_may_pass_and_is_tried_a_few_times(status: int, attempts: int) -> None:
    verdict = judge(answer(status, OUTCOME), 1)
    assert verdict == ServerConflict(f"the server answered {status} (business-rule)", attempts, OUTCOME)


def test_too_large_is_told_apart_from_wrong() -> None:
    assert judge(answer(413, OUTCOME), 1) == TooLarge("the server answered 413 (business-rule)", OUTCOME)


@pytest.mark.parametrize("status", [400, 406, 415, 422, 451])
def test_a_refusal_keeps_what_the_server_says(status: int) -> None:
    assert judge(answer(status, OUTCOME), 1) == Refused(f"the server answered {status} (business-rule)", OUTCOME)


@pytest.mark.parametrize("body", [HTML, b"", b"[1]", {"resourceType": "Bundle"}])
def test_a_refusal_without_an_outcome_gets_one_of_ours_that_repeats_nothing_of_the_body(body: Any) -> None:
    verdict = judge(answer(422, body), 1)
    assert isinstance(verdict, Refused)
    (issue,) = verdict.outcome["issue"]
    assert issue["diagnostics"] == "the server answered 422 without an OperationOutcome"


@pytest.mark.parametrize("issue", [None, [], "x", [1], [{}], {}])
def test_an_outcome_without_a_proper_issue_is_kept_as_it_is(issue: Any) -> None:
    outcome = {"resourceType": "OperationOutcome", "issue": issue}
    assert judge(answer(422, outcome), 1) == Refused("the server answered 422 (no code)", outcome)


SHORT = {
    "a batch-response": response(done("Patient/7"), kind="batch-response"),
    "half the entries": response(done("Patient/7")),
    "more entries than were sent": response(*[done("Patient/7")] * 3),
    "no entries": {"resourceType": "Bundle", "type": "transaction-response"},
    "entries of a wrong kind": {"resourceType": "Bundle", "type": "transaction-response", "entry": 2},
    "an entry that is no object": response(done("Patient/7"), 1),
    "an entry without a response": response(done("Patient/7"), {}),
    "an entry whose response is a list": response(done("Patient/7"), {"response": ["200"]}),
    "an entry without a status": response(done("Patient/7"), {"response": {}}),
    "an entry at which the server failed": response(done("Patient/7"), done("Patient/8", "500")),
    "an entry that met another writer": response(done("Patient/7"), done("Patient/8", "409 ServerConflict")),
    "a batch-response whose entries failed": response(*[done("Patient/7", "500")] * 2, kind="batch-response"),
    "the Bundle itself": response(done("Patient/7"), done("Patient/8"), kind="transaction"),
    "a resource of another type": {"resourceType": "Patient"},
    "an OperationOutcome": OUTCOME,
}


FAILED = {
    "an entry that failed": response(done("Patient/7"), done("Patient/8", "422 Unprocessable")),
    "an entry of a batch that failed": response(done("Patient/7"), done("Patient/8", "422"), kind="batch-response"),
    "an entry that is gone": response(done("Patient/7"), done("Patient/8", "410 Gone")),
}


@pytest.mark.parametrize("name", SHORT)
def test_a_success_that_nobody_understands_is_an_error_of_the_server_where_it_repeats_safely(name: str) -> None:
    verdict = judge(answer(200, SHORT[name]), 2)
    assert isinstance(verdict, Later)
    assert verdict.is_error
    assert verdict.outcome is not None
    assert verdict.outcome["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("name", SHORT)
def test_a_success_that_nobody_understands_is_a_refusal_where_it_does_not_repeat_safely(name: str) -> None:
    verdict = judge_answer(answer(200, SHORT[name]), 2, NOW, repeats_safely=False)
    assert isinstance(verdict, Refused)
    assert verdict.outcome["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("repeats_safely", [True, False])
@pytest.mark.parametrize("name", FAILED)
def test_an_entry_that_the_server_will_not_have_is_refused_however_it_repeats(
    name: str, *, repeats_safely: bool
) -> None:
    verdict = judge_answer(answer(200, FAILED[name]), 2, NOW, repeats_safely=repeats_safely)
    assert isinstance(verdict, Refused)
    assert (verdict.reason, verdict.entry) == ("the server did not take entry 1", 1)
    assert verdict.outcome["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("repeats_safely", [True, False])
@pytest.mark.parametrize("code", ["conflict", "transient", "lock-error", "no-store", "exception", "timeout",
                                  "incomplete", "throttled", None])  # fmt: skip
def test_a_conflict_with_another_writer_is_an_error_of_the_server(
    code: str | None, *, repeats_safely: bool
) -> None:
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", **({"code": code} if code else {})}],
    }
    reason = f"the server answered 409 ({code or 'no code'})"
    verdict = judge_answer(answer(409, outcome), 1, NOW, repeats_safely=repeats_safely)
    assert verdict == Later(reason, is_error=True, outcome=outcome)
    assert isinstance(judge_answer(answer(409, HTML), 1, NOW, repeats_safely=repeats_safely), Later)


def test_every_verdict_has_a_word_of_its_own() -> None:
    words = {verdict.__name__: verdict.word for verdict in get_args(Verdict)}
    assert words == {
        "Arrived": "arrived",
        "Later": "later",
        "ServerConflict": "conflict",
        "DestinationWrong": "destination-wrong",
        "TooLarge": "too-large",
        "Refused": "refused",
    }
    for page in ("audit-log.md", "delivery.md"):
        text = (Path(__file__).parents[2] / "docs" / page).read_text(encoding="utf-8")
        assert [word for word in words.values() if f"`{word}`" not in text] == [], page


def test_the_outcome_of_an_entry_that_failed_is_kept() -> None:
    entry = {"response": {"status": "400", "outcome": OUTCOME}}
    assert judge(answer(200, response(done("Patient/7"), entry)), 2) == Refused(
        "the server did not take entry 1", OUTCOME, 1
    )


@pytest.mark.parametrize(
    ("value", "seconds"),
    [
        ("0", 0.0),
        ("120", 120.0),
        (" 7 ", 7.0),
        ("Sun, 02 Mar 2031 09:18:13 GMT", 30.0),
        ("Sun, 02 Mar 2031 09:18:13", 30.0),
        ("Sun, 02 Mar 2031 09:00:00 GMT", 0.0),
        ("-1", None),
        ("1.5", None),
        ("soon", None),
        ("", None),
        ("Sun, 02 Mar 99999999999 09:18:13 GMT", None),
    ],
)
def test_the_wait_that_a_server_asks_for_is_read_in_both_spellings(value: str, seconds: float | None) -> None:
    assert retry_after_seconds({"retry-after": value}, NOW) == seconds
    assert judge(answer(503, retry_after=value), 1) == Later("the server answered 503", seconds, is_down=True)


@given(st.text(max_size=40))
def test_no_header_breaks_the_reading_of_the_wait(value: str) -> None:
    seconds = retry_after_seconds({"retry-after": value}, NOW)
    assert seconds is None or seconds >= 0


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-99, 999) | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
ENTRY = JSON | st.fixed_dictionaries(
    {"response": st.fixed_dictionaries({"status": JSON | st.just("200"), "location": JSON}), "resource": JSON}
)


@given(
    st.integers(200, 599), st.binary(max_size=40) | st.lists(ENTRY, max_size=3).map(lambda es: response(*es)) | JSON
)
def test_no_answer_is_without_a_verdict(status: int, body: Any) -> None:
    spelled = body if isinstance(body, bytes) else write_json(body)
    verdict = judge(answer(status, spelled), 2)
    if isinstance(verdict, Arrived):
        assert 200 <= status < 300
        assert len(verdict.places) == 2
