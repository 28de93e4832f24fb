"""Lets `python -m service` do what `resus-fhir` does."""

from service.cli import main

main()
