"""The outbox: units of work that queue, choose, keep and settle what is delivered, each in one transaction."""
