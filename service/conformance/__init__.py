"""Writes what the service makes as a FHIR package: profiles, value sets, concept maps, examples."""
