"""Answers what is asked of the store: each function reads in one transaction and changes nothing."""
