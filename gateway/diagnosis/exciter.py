"""Whether the field voltage fits the exciter's field current.

The field voltage should be the current times a ratio, within the accuracy of that ratio and k = 2
of both uncertainties, added. Signs count: a field voltage of the wrong polarity puts every fault at
the wrong end of the winding. Refuses to say which of the two is wrong.
"""

from dataclasses import dataclass
from typing import Final

from gateway.diagnosis.paths import COVERAGE, paths_of
from gateway.diagnosis.seen import Found, Seen
from gateway.site.installed import Site
from gateway.tags import Sample

# Near no excitation the remanence of the exciter counts; the accuracy is then that of this share of
# the rated field voltage (common practice, no source).
_LEAST_SHARE: Final = 0.1


@dataclass(frozen=True, slots=True)
class ExciterMemory:
    """What is remembered between steps."""

    misfit_ns: int | None = None  # for how long it has not fitted; None: it did
    detail: str = ""  # figures of the moment it was said; "" while nothing is said


_FITS: Final = ExciterMemory()


class ExciterWatch:
    """The exciter check of one machine; without one in the site file it finds nothing."""

    def __init__(self, site: Site, machine: str) -> None:
        installed = site.machine(machine)
        paths = paths_of(site, installed)
        self._check = installed.exciter
        self._least_v = _LEAST_SHARE * installed.field_winding.rated_field_voltage
        if self._check is not None:
            self._current = paths[self._check.field_current]
            self._voltage = paths[self._check.field_voltage]

    def step(self, memory: ExciterMemory, seen: Seen) -> tuple[ExciterMemory, list[Found]]:
        """While either value is not measured now the time stands still and what was said stays."""
        if self._check is None:
            return memory, []
        current, voltage = seen.measured(self._current.tag), seen.measured(self._voltage.tag)
        if current is not None and voltage is not None:
            memory = self._compared(memory, current, voltage, seen.elapsed_ns)
        if not memory.detail:
            return memory, []
        tag, kind = self._voltage.tag, self._voltage.kind
        return memory, [Found(tag, kind, "field voltage unfit", memory.detail)]

    def _compared(
        self,
        memory: ExciterMemory,
        current: Sample,
        voltage: Sample,
        elapsed_ns: int,
    ) -> ExciterMemory:
        if self._check is None:
            return memory
        amperes, volts = self._current.interval(current), self._voltage.interval(voltage)
        if amperes is None or volts is None:
            return memory
        low_v, high_v = (a * self._check.ratio for a in amperes)
        expected_v = float(current.value or 0.0) * self._current.factor * self._check.ratio
        slack_v = self._check.accuracy * max(abs(expected_v), self._least_v)
        if volts[1] >= low_v - slack_v and volts[0] <= high_v + slack_v:
            return _FITS
        misfit_ns = 0 if memory.misfit_ns is None else memory.misfit_ns + elapsed_ns
        if memory.detail:
            return memory
        if misfit_ns < round(self._check.settle * 1e9):
            return ExciterMemory(misfit_ns)
        reach_v = slack_v + COVERAGE * self._check.ratio * self._current.factor * (
            current.uncertainty or 0.0
        )
        detail = (
            f"{self._voltage.tag} {self._voltage.said(voltage)}, but {self._current.tag} "
            f"{self._current.said(current)} should make {expected_v:.4g} V ± {reach_v:.2g} V: "
            "the transducer of either may be wrong, or the rectifier"
        )
        return ExciterMemory(misfit_ns, detail)
