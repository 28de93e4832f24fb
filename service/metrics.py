"""What is counted for operators; no label ever names a case, a person or an address."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Gauge

registry = CollectorRegistry()

taken = Counter(
    "resus_requests_taken", "What clients sent, by what became of it.", ["record", "outcome"], registry=registry
)
attempts = Counter(
    "resus_delivery_attempts", "Bundles sent, by the verdict on the answer.", ["verdict"], registry=registry
)
deliveries = Gauge("resus_deliveries", "Deliveries in the outbox, by state.", ["state"], registry=registry)
oldest_waiting = Gauge(
    "resus_delivery_oldest_waiting_seconds",
    "How long the oldest waiting delivery has waited; 0 where none waits.",
    registry=registry,
)
destination_up = Gauge(
    "resus_destination_up", "1 while the destination answers, 0 while it does not.", registry=registry
)
