"""Readiness: from the items of device checks to whether a device can be used; pure functions."""
