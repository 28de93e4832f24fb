"""Turns the samples of an ECG strip into FHIR's SampledData, every sample exactly as it was measured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Context, Decimal
from fractions import Fraction
from typing import Any

from service.exact_json import ExactNumber
from service.records.instants import format_moment
from service.vocabulary.units import UCUM

_MILLIVOLT_ZERO = {"value": 0, "unit": "mV", "system": UCUM, "code": "mV"}
_ERROR = "E"
"""SampledData's sign for a sample that the device could not measure (R4, datatypes, SampledData)."""


@dataclass(frozen=True, slots=True)
class LeadSamples:
    """The samples of one lead in millivolts; None where nothing was measured. `lead` is a CodeableConcept."""

    lead: Mapping[str, Any]
    samples: Sequence[float | None]


@dataclass(frozen=True, slots=True)
class StripSegment:
    """A stretch of a strip without a pause: when it began and ended, and a component for each lead."""

    start: str
    end: str
    components: tuple[dict[str, Any], ...]


def _decimal(value: float) -> Decimal:
    """Return a sample as it was written."""
    return Decimal(str(getattr(value, "literal", value)))


def _number(value: Decimal) -> ExactNumber | int:
    return int(value) if value == value.to_integral_value() else ExactNumber(format(value.normalize(), "f"))


_FHIR_DECIMALS = Context(prec=17)
"""As many digits as every FHIR system keeps, one left for safety (R4, datatypes, decimal: 18)."""


def exact_period(sampling_hertz: float) -> ExactNumber | int:
    """Return the milliseconds between two samples: exact where decimals can say it, else to 15 decimals.

    Units: ms. A rate of 128 Hz gives 7.8125; one of 300 Hz has no exact decimal.
    """
    hertz = _decimal(sampling_hertz)
    period = _FHIR_DECIMALS.divide(Decimal(1000), hertz)
    # Fractions are compared, since a product of decimals is rounded and may look exact.
    if Fraction(period) * Fraction(hertz) != 1000:
        period = round(period, 15)
    return _number(period)


def sampled_data(samples: Sequence[float | None], period: ExactNumber | int) -> dict[str, Any]:
    """Return the SampledData of consecutive samples; `factor` times each datum gives back the sample exactly.

    Units: mV for the samples, ms for the period. Source: FHIR R4, datatypes, SampledData.
    """
    values = [None if sample is None else _decimal(sample) for sample in samples]
    decimals = max((-int(value.as_tuple().exponent) for value in values if value), default=0)
    factor = Decimal(1).scaleb(-max(decimals, 0))
    return {
        "origin": _MILLIVOLT_ZERO,
        "period": period,
        "factor": _number(factor),
        "dimensions": 1,
        "data": " ".join(_ERROR if value is None else str(int(value / factor)) for value in values),
    }


def _runs(leads: Sequence[LeadSamples]) -> Iterator[tuple[int, int]]:
    """Yield begin and end (beyond the last) of every run of samples in which some lead has a value."""
    length = max(len(lead.samples) for lead in leads)
    begin: int | None = None
    for place in range(length):
        measured = any(place < len(lead.samples) and lead.samples[place] is not None for lead in leads)
        if measured and begin is None:
            begin = place
        elif not measured and begin is not None:
            yield begin, place
            begin = None
    if begin is not None:
        yield begin, length


def split_strip(leads: Sequence[LeadSamples], sampling_hertz: float, start: str) -> list[StripSegment]:
    """Return the segments of a strip whose first sample was taken at `start` (RFC 3339).

    A pause, in which no lead has a sample, splits the strip; it is never bridged. A lead that alone misses a
    sample says so inside its segment. Each segment is half open: it ends one period after its last sample.
    """
    if not leads:
        return []
    period = exact_period(sampling_hertz)
    seconds = Fraction(_decimal(sampling_hertz)) ** -1
    began = datetime.fromisoformat(start)

    def moment(place: int) -> str:
        return format_moment(began + timedelta(microseconds=round(place * seconds * 1_000_000)))

    return [
        StripSegment(
            moment(begin),
            moment(end),
            tuple(
                {"code": lead.lead, "valueSampledData": sampled_data(lead.samples[begin:end], period)}
                for lead in leads
                if any(sample is not None for sample in lead.samples[begin:end])
            ),
        )
        for begin, end in _runs(leads)
    ]
