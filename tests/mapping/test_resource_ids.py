"""The id of a resource is the UUID version 5 of what it is made from."""

from __future__ import annotations

from uuid import UUID, uuid5

from hypothesis import given
from hypothesis import strategies as st

from service.mapping.resource_ids import resource_id

NAMESPACE = UUID("0d2b7c0e-6a3f-4f7e-9d55-6a4c1f7a1e21")
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@given(st.lists(TEXT, max_size=5))
def test_an_id_is_the_uuid_version_5_of_its_parts(parts: list[str]) -> None:
    assert resource_id(parts) == str(uuid5(NAMESPACE, "\x1f".join(f"{len(part)}:{part}" for part in parts)))


@given(st.lists(TEXT, max_size=4), st.lists(TEXT, max_size=4))
def test_other_parts_give_another_id(left: list[str], right: list[str]) -> None:
    assert (resource_id(left) == resource_id(right)) is (left == right)


def test_ids_of_before_are_ids_of_today() -> None:
    assert resource_id(("urn:example:resus", "case", "c-1", "patient")) == "d50609bd-3c88-5ac9-9eb2-732b330030ed"
