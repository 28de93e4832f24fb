"""The checking stage: what a resource departs from FHIR R4 (4.0.1) in, found before it is kept or sent."""
