"""Resuscitation events and device checks to FHIR R4, delivered exactly once and audited."""

from importlib.metadata import version

__version__ = version("resus-fhir")
