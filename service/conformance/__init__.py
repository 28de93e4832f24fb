"""Writes what the service makes as FHIR's own conformance resources: profiles, value sets, concept maps, examples."""
