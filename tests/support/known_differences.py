"""Where HL7's validator and our table judge differently, and why; docs/validation.md shows all of it.

A difference that does not stand here fails the interop suite, and so does one that stands here and is gone.
"""

from __future__ import annotations

LITERAL_REFERENCE = (
    "Offline, HL7's validator checks neither the type in a literal reference nor its spelling: it would ask the "
    "server."
)
SAMPLES = (
    "R4 gives the grammar of SampledData.data in words only (datatypes, SampledData), and HL7's validator skips it."
)

BAD_BUT_TAKEN_BY_HL7: dict[str, tuple[tuple[str, ...], str]] = {
    "a type that R4 does not list": (
        ("06",),
        "It says nothing about a valueDecimal, which Observation.value does not have in R4; we do not know why.",
    ),
    "types and spelling in references": (
        ("10", "11", "111", "112", "113", "114", "115", "117", "118", "120"),
        LITERAL_REFERENCE,
    ),
    "samples": (("17", "137", "138", "139"), SAMPLES),
    "an entry that is missing": (
        ("40",),
        "It does not report that a urn:uuid in a transaction refers to no entry. A server would refuse it.",
    ),
    "control characters": (
        ("85",),
        "A vertical tab is white space outside the grammar of R4's strings; it only warns of it.",
    ),
}
"""Bad resources (by their numbers) that the table refuses and HL7's validator does not."""

BAD_BUT_TAKEN_BY_THE_TABLE: dict[str, str] = {
    "20": "The table does not check units; UCUM's grammar does, at intake and when mappings are loaded.",
}
"""Bad resources that HL7's validator refuses and the table does not."""

BAD_BUT_TAKEN_BY_BOTH: dict[str, str] = {
    "48": "Whether LOINC has a code cannot be known without LOINC; both are offline.",
}

UNSEEN_INVARIANTS: dict[tuple[str, int], str] = {
    ("ele-1", 0): "It allows an element with only an id; R4 requires a value or children (ele-1).",
    ("txt-1", 7): "It allows a processing instruction in a narrative; R4's narrative has none (narrative.html).",
}
"""Resources of tests/checking/test_invariants.py (invariant and place) that HL7's validator takes all the same."""

NOT_LOOKED_UP = "None of the codings provided are in the value set"

BEYOND_THE_TABLE: dict[str, str] = {
    "Error processing unit": "The unit is not UCUM: intake checks this.",
    "vitalsigns": "A profile is broken: the table knows no profiles.",
    "must be an absolute reference": "The system of an identifier is not an absolute URI: intake checks this.",
    "Duplicate id value": "Two elements have the same id: the table does not compare them.",
    NOT_LOOKED_UP: "Offline, it stops at the first coding of a concept whose system it does not know.",
    "A parameter must have one and only one of (value, resource, part)": (
        "Parameters with an empty resource: FHIRPath does not see it, R4's JSON allows it."
    ),
    "Bundle entry missing fullUrl": "It requires a fullUrl in a transaction; R4 does not (bundle.html).",
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
        "A Bundle or Parameters holds a resource of a type for which there is no table: refused without a check.",
    ),
    "an official example that breaks R4 itself": (
        ("r4/examples/devicemetric-example.json", "r4b/examples/devicemetric-example.json"),
        "DeviceMetric.parent refers to a DeviceDefinition; R4 allows only a Device. " + LITERAL_REFERENCE,
    ),
    "arrays that do not match": (
        ("r4/patient-name-extensions.json",),
        (
            "The array with the extensions of a repeated primitive is shorter than the array of its values; R4 "
            "fills both with null (json.html#primitive). fhirkit refuses it too."
        ),
    ),
    "an extension of the id of a resource": (
        ("validator/patient-id-extensions.json",),
        "The id of a resource takes no extensions. fhirkit and fhir.resources refuse them too.",
    ),
    "a conditional reference outside a transaction": (
        ("validator/ref-policy-r4.json",),
        "R4 allows Type?query in transactions only (http.html#trules).",
    ),
}
"""Held-out resources that HL7's validator takes and the table refuses."""
