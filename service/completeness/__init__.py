"""Completeness: from a case and the rules to what is missing in it; pure functions."""
