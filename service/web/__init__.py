"""The REST API: reads requests, hands them to the pipeline, and writes answers and problem details."""
