"""The loops beside the requests: deliver what waits, read back what was delivered, make again what was left."""
