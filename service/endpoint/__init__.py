"""A small FHIR R4 server inside the service, for trial and tests: the destination where none is configured."""
