"""The part of an overlay that speaks of records: claims, categories, dropped resources, limits of judgements."""

from __future__ import annotations

import re

from service.vocabulary.overlay_notes import OverlayNotes, existing, is_said, one_form
from service.vocabulary.template_language import TemplateReader, fixed_code
from service.vocabulary.yaml_tree import Located

_ABSOLUTE_URL = re.compile(r"https?://[^\s<>/]+(/[^\s<>]*)?")

_REPEATS_CATEGORY = frozenset({"Observation", "Condition"})
"""Of the types made here, those whose category may repeat. Source: FHIR R4, each type's table."""

_NEEDED = {
    ("records/case.yaml", "patient"): "every resource of a case is about its patient",
    ("records/device.yaml", "device"): "events and checks refer to the device",
}


def _why_needed(name: str, role: str) -> str | None:
    """Return why a resource may not be dropped, since references to it would lead nowhere; None where it may."""
    if name.startswith("spans/") and role == "span":
        return "the events inside a span refer to its resource"
    return _NEEDED.get((name, role))


def overlay_record(notes: OverlayNotes, name: str, place: Located) -> None:
    """Read what changes in one kind of event, record, check item or span.

    `resources: {ROLE: {drop: true}}` or `{ROLE: {add: {meta: {profile: […]}, category: […]}}}`; in a check item
    also `judgements: {REASON: {when, says, source}}`.
    """
    members = place.only("resources", "judgements") if name.startswith("check_items/") else place.only("resources")
    document = notes.documents[name]
    changed = dict(document.members())
    if "resources" in members:
        with notes.noting():
            changed["resources"] = _overlay_resources(
                notes, name, document.required("resources"), members["resources"]
            )
    if "judgements" in members:
        with notes.noting():
            changed["judgements"] = _overlay_judgements(notes, document, members["judgements"])
    notes.documents[name] = document.holding(changed)


def _overlay_resources(notes: OverlayNotes, name: str, resources: Located, place: Located) -> Located:
    entries = {entry.required("role").text(): entry for entry in resources.items()}
    stem = resources.file.stem
    for role, change in place.members().items():
        with notes.noting():
            entry = existing(change, role, entries, "resource of the role")
            form, argument = one_form(change, "drop", "add")
            if form == "add":
                entries[role] = _with_additions(notes, f"{stem}#{role}", entry, argument)
                continue
            is_said(argument)
            reason = _why_needed(name, role)
            if reason is not None:
                change.refuse(f"the resource {role!r} cannot be dropped: {reason}")
            # The entry stays, so that the compiler still knows the role and the fields of what is dropped.
            entries[role] = entry.holding({**entry.members(), "drop": argument})
            notes.change(f"{stem}#{role}", "dropped", change)
    return resources.holding(list(entries.values()))


def _with_additions(notes: OverlayNotes, subject: str, entry: Located, additions: Located) -> Located:
    members = additions.only("meta", "category")
    if not members:
        additions.refuse("at least one of these stands here: meta, category")
    resource = entry.required("resource")
    changed = dict(resource.members())
    # What is wrong in the template itself is told by those who compile it.
    reader = TemplateReader(notes.documents["fragments.yaml"].members(), [])
    held = {name: node.place for name, node in reader.object(resource).members.items()}
    if "meta" in members:
        with notes.noting():
            changed["meta"] = _with_claims(notes, subject, held.get("meta"), members["meta"])
    if "category" in members:
        with notes.noting():
            resource_type = held["resourceType"].text() if "resourceType" in held else ""
            if resource_type not in _REPEATS_CATEGORY:
                members["category"].refuse(
                    f"a {resource_type} takes no further category in FHIR R4; a coding can be added to the concept"
                    " that stands there"
                )
            changed["category"] = _with_categories(notes, subject, held.get("category"), members["category"])
    return entry.holding({**entry.members(), "resource": resource.holding(changed)})


def _with_claims(notes: OverlayNotes, subject: str, meta: Located | None, place: Located) -> Located:
    place.only("profile")
    wanted = place.required("profile")
    held = dict(meta.members()) if meta is not None else {}
    profiles = held["profile"].items() if "profile" in held else []
    claimed = [profile.text() for profile in profiles]
    for profile in wanted.items():
        with notes.noting():
            url = profile.text()
            if _ABSOLUTE_URL.fullmatch(url) is None:
                profile.refuse(f"{url!r} is not an absolute URL, by which a profile is claimed")
            if url in claimed:
                profile.refuse("this profile is claimed already")
            claimed.append(url)
            profiles = [*profiles, profile]
            notes.change(subject, f"+ profile {url}", profile)
    return place.holding({**held, "profile": wanted.holding(profiles)})


def _with_categories(notes: OverlayNotes, subject: str, held: Located | None, place: Located) -> Located:
    categories = held.items() if held is not None else []
    there = [fixed_code(category) for category in categories]
    for category in place.items():
        with notes.noting():
            code = fixed_code(category)
            if code is None:
                category.refuse(f"a category is written <code TABLE.CONCEPT>, not {category.text()!r}")
            if code in there:
                category.refuse("the resource has this category already")
            there.append(code)
            categories = [*categories, category]
            notes.change(subject, f"+ category {code}", category)
    return place.holding(categories)


def _overlay_judgements(notes: OverlayNotes, document: Located, place: Located) -> Located:
    held = document.required("judgements")
    judgements = {judgement.required("reason").text(): judgement for judgement in held.items()}
    changed: dict[str, Located] = {}
    for reason, change in place.members().items():
        with notes.noting():
            judgement = existing(change, reason, judgements, "judgement with the reason")
            members = change.only("when", "says", "source")
            change.required("when")
            change.required("source")
            changed[reason] = judgement.holding({**judgement.members(), **members})
            notes.change(f"{document.file.stem}.{reason}", "another limit", change)
    return held.holding([changed.get(judgement.required("reason").text(), judgement) for judgement in held.items()])
