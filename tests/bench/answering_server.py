"""A FHIR server that only answers: it reads a Bundle, counts its entries, and says that each was taken.

    python -m tests.bench.answering_server PORT

It parses nothing and keeps nothing, so that what is measured against it is the sender. `GET /fhir/counts` says how
many Bundles and entries came, and the moments (monotonic) of the first and the last.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time

TYPES = (
    *("Condition", "Device", "DeviceMetric", "Encounter", "Location", "MedicationAdministration"),
    *("Observation", "Patient", "Procedure", "Provenance", "Task"),
)
INTERACTIONS = {"interaction": [{"code": "update"}], "updateCreate": True, "versioning": "versioned"}
METADATA = json.dumps(
    {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2031-03-02",
        "kind": "instance",
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "interaction": [{"code": "transaction"}],
                "resource": [{"type": name, **INTERACTIONS} for name in TYPES],
            }
        ],
    }
).encode()
HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\nContent-Length: %d\r\n\r\n"
ENTRY = b'{"response":{"status":"200 OK","etag":"W/\\"1\\""}}'


class AnsweringServer:
    """What came so far, and how it is answered."""

    def __init__(self) -> None:
        self.bundles = 0
        self.entries = 0
        self.first = 0.0
        self.last = 0.0

    def _answer(self, method: bytes, path: bytes, body: bytes) -> bytes:
        if method == b"POST":
            count = body.count(b'"request":{"method":"')
            now = time.monotonic()
            self.first = self.first or now
            self.last = now
            self.bundles += 1
            self.entries += count
            entries = b",".join([ENTRY] * count)
            return b'{"resourceType":"Bundle","type":"transaction-response","entry":[' + entries + b"]}"
        if path.endswith(b"/metadata"):
            return METADATA
        counts = {"bundles": self.bundles, "entries": self.entries, "first": self.first, "last": self.last}
        return json.dumps(counts).encode()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer the requests of one connection."""
        try:
            while head := await reader.readuntil(b"\r\n\r\n"):
                request, *headers = head.split(b"\r\n")
                method, path, _ = request.split(b" ", 2)
                lengths = [line for line in headers if line.lower().startswith(b"content-length:")]
                length = int(lengths[0].partition(b":")[2]) if lengths else 0
                body = self._answer(method, path, await reader.readexactly(length))
                writer.write(HEAD % len(body) + body)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()


async def main(port: int) -> None:
    """Listen until the process is ended."""
    server = AnsweringServer()
    listening = await asyncio.start_server(server.serve, "127.0.0.1", port, limit=1 << 20)
    async with listening:
        await listening.serve_forever()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))
