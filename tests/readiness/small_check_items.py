"""A few items of a device check with judgements, apart from the shipped data."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from service.vocabulary.record_shapes import RecordShape, read_record_shapes
from service.vocabulary.units import Units
from service.vocabulary.yaml_tree import load_yaml

_ITEMS = {
    "self_test": """\
name: self_test
title: Self-test
says: The self-test.
fields:
  result: {type: text, says: The result.}
judgements:
  - {when: {field: result, is: failed}, outcome: not_ready, reason: self_test_failed, says: It failed., source: S}
resources: []
""",
    "battery": """\
name: battery
title: Battery
says: The battery.
fields:
  charge_percent: {type: number, says: The charge.}
  spare: {type: boolean, says: A spare one.}
judgements:
  - {when: {field: charge_percent, below: 20}, outcome: not_ready, reason: battery_flat, says: Flat., source: S}
  - {when: {field: spare, is: false}, outcome: ready_with_fault, reason: no_spare, says: No spare., source: S}
resources: []
""",
    "electrodes": """\
name: electrodes
title: Electrodes
says: The electrodes.
fields:
  expiry: {type: date, says: The expiry.}
judgements:
  - {when: {field: expiry.days_left, below: 0}, outcome: not_ready, reason: expired, says: Expired., source: S}
resources: []
""",
    "clock": """\
name: clock
title: Clock
says: The clock.
fields:
  device_at: {type: instant, says: The device's time.}
  reference_at: {type: instant, says: The reference time.}
judgements:
  - when: {any: [{field: offset_seconds, above: 60}, {field: offset_seconds, below: -60}]}
    outcome: ready_with_fault
    reason: clock_wrong
    says: The clock is wrong.
    source: S
resources: []
""",
}


def read_small_check_items(folder: Path) -> Mapping[str, RecordShape]:
    """Return the shapes of the items, which this writes to `folder`."""
    for name, text in _ITEMS.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    documents = map(load_yaml, sorted(folder.glob("*.yaml")))
    return read_record_shapes(documents, {}, {}, Units({}, {}), is_event=False)
