"""Delivers: brings what waits in the outbox to the FHIR server and keeps what became of it."""
