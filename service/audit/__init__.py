"""The audit log: append-only, each entry bound to the one before by its hash."""
