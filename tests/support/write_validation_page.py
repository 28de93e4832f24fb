"""Measures again and writes the blocks of docs/validation.md: python -m tests.support.write_validation_page.

Needs what `.ci/interop-setup` brings. What comes out is to be read as a diff; the tests compare and never write.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from service.conformance.write_package import build_package, write_package
from service.data_folders import data_folder
from service.vocabulary.units import is_ucum
from tests.published.ucum_strings import INVALID, VALID
from tests.support.generated_resources import generated_resources
from tests.support.golden_resources import read_golden_resources
from tests.support.hl7_validator import Hl7Validator
from tests.support.made_resources import shipped_stages
from tests.support.measure_validation import (
    BadVerdicts,
    HeldOut,
    Readers,
    ReadSet,
    Resource,
    VitalSignVerdicts,
    bad_block,
    differences_block,
    held_out_block,
    is_unit_for_hl7,
    judge_bad_resources,
    judge_held_out,
    judge_vital_sign,
    read_set,
    remarks_block,
    sets_block,
    units_block,
    vital_signs_block,
)
from tests.support.npm_fhir import NpmFhir
from tests.support.official_examples import read_official_resources
from tests.support.ucum_lhc import UcumLhc
from tests.support.validation_page import PAGE, replace_blocks
from tests.support.vital_sign_profiles import VITAL_SIGNS

GOLDEN = "examples and golden files"
GENERATED = "generated variations"


@contextmanager
def warm_readers() -> Iterator[Readers]:
    """Yield the readers, with our own FHIR package loaded, so that our own codes and extensions are judged too."""
    with TemporaryDirectory() as folder:
        package = Path(folder) / "package.tgz"
        write_package(build_package(shipped_stages(), data_folder("examples")), package)
        with Hl7Validator([package]) as hl7, NpmFhir() as npm:
            yield Readers(hl7, npm)


def all_sets() -> dict[str, list[Resource]]:
    """Return every set of our resources by its name."""
    golden = [golden.resource for golden in read_golden_resources()]
    return {GOLDEN: golden, GENERATED: generated_resources()}


@dataclass(frozen=True, slots=True)
class Measured:
    """Everything that the page shows, before it is text."""

    sets: tuple[ReadSet, ...]
    vital_signs: list[VitalSignVerdicts]
    bad: BadVerdicts
    held_out: HeldOut
    units: str

    def blocks(self) -> dict[str, str]:
        """Return the blocks of the page by their names."""
        return {
            "sets": sets_block(self.sets),
            "remarks": remarks_block(self.sets),
            "vital signs": vital_signs_block(self.vital_signs),
            "units": self.units,
            "bad resources": bad_block(self.bad),
            "held-out resources": held_out_block(self.held_out),
            "differences": differences_block(),
        }


def measure(readers: Readers) -> Measured:
    """Return all measurements; minutes, not seconds."""
    resources = all_sets()
    everything = [resource for some in resources.values() for resource in some]
    own_units = sorted(shipped_stages().vocabulary.units.displays)
    by_hl7 = is_unit_for_hl7(readers.hl7, [*own_units, *VALID, *INVALID])
    with UcumLhc() as lhc:
        judges: dict[str, Callable[[str], bool]] = {
            "ucumvert": is_ucum,
            "ucum-lhc": lhc.is_unit,
            "HL7's validator": by_hl7.__getitem__,
        }
        units = units_block(judges, own_units)
    return Measured(
        tuple(read_set(name, some, readers) for name, some in resources.items()),
        [judge_vital_sign(sign, everything, readers.hl7) for sign in VITAL_SIGNS],
        judge_bad_resources(readers),
        judge_held_out(read_official_resources(), readers.hl7),
        units,
    )


def write_page(measured: Measured) -> None:
    """Write the measured blocks into docs/validation.md."""
    PAGE.write_text(replace_blocks(PAGE.read_text(encoding="utf-8"), measured.blocks()), encoding="utf-8")


if __name__ == "__main__":
    with warm_readers() as warm:
        write_page(measure(warm))
    print(f"{PAGE.name} written; read the diff before you commit it")
