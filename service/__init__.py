"""Resuscitation events and device checks to FHIR R4, delivered exactly once and audited."""
