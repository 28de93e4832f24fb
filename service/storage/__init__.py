"""The store: what was taken in, what waits to be delivered, and the audit log, in one database."""
