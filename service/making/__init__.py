"""From records to FHIR resources: what a case, an event, a span or a check becomes; nothing is kept here."""
