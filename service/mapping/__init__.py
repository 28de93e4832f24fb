"""From records to FHIR R4 resources: templates as data, compiled once, applied as plain functions."""
