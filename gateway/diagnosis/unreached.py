"""What readings still say while the rotor is not reached: a fault, but never that there is none.

What is open on the way to the rotor reads like sound insulation: a resistance is then at most what
is read, a current at least. Where nothing comes through at all, whatever repeats the monitor's last
reading is old, also a loop that is alive. A contact that has not actuated says nothing either way.
So they are shown, served and judged, with a status that says so. Refuses to doubt a contact that
shows a fault.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from gateway.diagnosis.causes import NO_ACCESS
from gateway.diagnosis.seen import Assessed
from gateway.site.installed import Site
from gateway.tags import (
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    Limit,
    Sample,
)

OPEN_CONTACT: Final = "failed contact"
_AT_BEST: Final = {"resistance": Limit.LOW, "current": Limit.HIGH}


class Unreached:
    """The values of one machine that tell of earth faults: of its alarms and their cross-checks."""

    def __init__(self, site: Site, machine: str) -> None:
        units = {t.tag: t.unit for t in site.tags_of(machine)}
        tags = [a.tag for a in site.earth_fault_alarms(machine)]
        installed = site.machine(machine)
        for check in installed.cross_checks:
            if {*check.values, check.contact.tag if check.contact else ""} & {*tags}:
                tags += check.values
        self._dimensions = {
            tag: "" if (unit := units[tag]) is None else unit.dimension for tag in tags
        }

    def shown(self, samples: Mapping[str, Sample], assessed: Assessed) -> Mapping[str, Sample]:
        """The samples as they may be shown; the same object while the rotor is reached."""
        lost = {f.cause for r in assessed.health for f in r.findings} & NO_ACCESS
        if not lost:
            return samples
        doubtful = (samples[tag] for tag in self._dimensions if tag in samples)
        is_open = lost == {OPEN_CONTACT}
        return {
            **samples,
            **{s.tag: self._at_best(s, is_open) for s in doubtful if s.value is not None},
        }

    def _at_best(self, sample: Sample, is_open: bool) -> Sample:
        dimension = self._dimensions[sample.tag]
        limit = _AT_BEST.get(dimension)
        if not dimension:
            return sample if sample.value else replace(sample, status=UNCERTAIN_LAST_USABLE_VALUE)
        if limit is None:
            return sample
        if is_open:
            status = sample.status.worst(UNCERTAIN_SENSOR_NOT_ACCURATE).with_limit(limit)
        else:
            status = UNCERTAIN_LAST_USABLE_VALUE if sample.measured_now else sample.status
        return replace(sample, status=status)
