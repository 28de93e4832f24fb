"""From the outbox to the FHIR server: what it can do, what is sent, and what its answer means."""
