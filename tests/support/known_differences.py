"""Where HL7's validator and our table judge differently, and why; docs/validation.md shows all of it.

A difference that does not stand here fails the interop suite, and so does one that stands here and is gone.
"""

from __future__ import annotations

LITERAL_REFERENCE = (
    "Offline, HL7's validator does not judge the type in a literal reference, nor its spelling: it would ask the "
    "server that is referred to."
)
SAMPLES = (
    "R4 gives the grammar of SampledData.data in words only (datatypes, SampledData), and HL7's validator skips it."
)

BAD_BUT_TAKEN_BY_HL7: dict[str, tuple[tuple[str, ...], str]] = {
    "a type that R4 does not list": (
        ("06",),
        "It says nothing of a valueDecimal, which Observation.value does not have in R4; why is unknown.",
    ),
    "types and spelling in references": (
        ("10", "11", "111", "112", "113", "114", "115", "117", "118", "120"),
        LITERAL_REFERENCE,
    ),
    "samples": (("17", "137", "138", "139"), SAMPLES),
    "an entry that is missing": (
        ("40",),
        "It does not miss the entry that a urn:uuid in a transaction should lead to. A server would refuse it.",
    ),
    "control characters": (
        ("85",),
        "A vertical tab is white space outside the grammar of R4's strings; it only warns of it.",
    ),
}
"""Bad resources (by their numbers) that the table refuses and HL7's validator does not."""

BAD_BUT_TAKEN_BY_THE_TABLE: dict[str, str] = {
    "20": "The table leaves units to UCUM's own grammar, which judges them at intake and when mappings are loaded.",
}
"""Bad resources that HL7's validator refuses and the table does not."""

BAD_BUT_TAKEN_BY_BOTH: dict[str, str] = {
    "48": "Whether LOINC has a code can be said only by who has LOINC; both are offline.",
}

UNSEEN_INVARIANTS: dict[tuple[str, int], str] = {
    ("ele-1", 0): "It lets an element with nothing but an id pass; R4 wants a value or children (ele-1).",
    ("txt-1", 7): "It lets a processing instruction in a narrative pass; R4's narrative has none (narrative.html).",
}
"""Resources of tests/checking/test_invariants.py (invariant and place) that HL7's validator takes all the same."""

NOT_LOOKED_UP = "None of the codings provided are in the value set"

BEYOND_THE_TABLE: dict[str, str] = {
    "Error processing unit": "The unit is not UCUM: left to intake.",
    "vitalsigns": "A profile is broken: the table knows none.",
    "must be an absolute reference": "The system of an identifier is no absolute URI: left to intake.",
    "Duplicate id value": "Two elements have one id: the table does not compare them.",
    NOT_LOOKED_UP: "Offline, it gives a concept up at its first coding of a system that it does not know.",
    "A parameter must have one and only one of (value, resource, part)": (
        "Parameters with an empty resource: FHIRPath does not see it, R4's JSON allows it."
    ),
    "Bundle entry missing fullUrl": "It wants a fullUrl in a transaction; R4 excepts these by name (bundle.html).",
    "HAPI-0676": "Its own failure to convert a quantity whose unit it does not know.",
}
"""Errors of HL7's validator over mutants that the table takes: words of the message, and the reason."""

GOOD_BUT_REFUSED_BY_THE_TABLE: dict[str, tuple[tuple[str, ...], str]] = {
    "types of resource that we neither make nor take": (
        (
            "validator/bundle-id-collection.json",
            "validator/bundle-url-dash.json",
            "validator/ips-nz-pj.json",
            "validator/parameters-reference-bad.json",
            "validator/parameters-reference.json",
            "validator/res-inv-example-bad.json",
            "validator/res-inv-example-good.json",
            "validator/shc-cvx.json",
            "validator/shc.json",
            "validator/type-slicing-multiple-instance.json",
            "validator/uk-msg.json",
        ),
        "A Bundle or Parameters holds a resource of a type for which there is no table: refused, not judged.",
    ),
    "an official example that breaks R4 itself": (
        ("r4/examples/devicemetric-example.json", "r4b/examples/devicemetric-example.json"),
        "DeviceMetric.parent refers to a DeviceDefinition; R4 allows a Device alone. " + LITERAL_REFERENCE,
    ),
    "arrays that do not match": (
        ("r4/patient-name-extensions.json",),
        (
            "The extensions of a repeated primitive stand in an array shorter than that of the values; R4 fills "
            "both up with null (json.html#primitive). fhirkit refuses it too."
        ),
    ),
    "an extension of the id of a resource": (
        ("validator/patient-id-extensions.json",),
        "The id of a resource takes no extensions. fhirkit and fhir.resources refuse them too.",
    ),
    "a conditional reference outside a transaction": (
        ("validator/ref-policy-r4.json",),
        "R4 allows Type?query in transactions alone (http.html#trules).",
    ),
}
"""Held-out resources that HL7's validator takes and the table refuses."""
