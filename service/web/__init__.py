"""The REST API: reads requests, hands them to the units of work, and writes answers and problem details."""
