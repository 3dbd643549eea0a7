"""How the gateway itself is, and which alarms it cannot judge though it sees their tags.

What it is told of itself comes in as `Seen.gateway`. An alarm whose tags are blind is not spoken
of: the blind tags tell it.
"""

from collections.abc import Iterator, Set
from dataclasses import dataclass, field
from typing import Final

from gateway.diagnosis.seen import Found, Seen
from gateway.diagnosis.subjects import subjects
from gateway.site.alarm import DeviationAlarm, MalfunctionAlarm
from gateway.site.installed import Site
from gateway.tags import (
    GATEWAY_WELL,
    LATE_SHARE,
    AlarmRecord,
    AlarmState,
    GatewayCondition,
    Subject,
)

GATEWAY: Final = "gateway"  # the subject's name

# All common practice, no source.
_STEP_KEPT_NS: Final = 600 * 10**9  # a set clock makes times before and after it incomparable
_UNARCHIVED_KEPT_NS: Final = 60 * 10**9
_LITTLE_ROOM: Final = 0.1
_UNJUDGED_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class GatewayMemory:
    """What was last wrong, and since when an alarm is not judged. Times on the chain's clock."""

    stepped_ns: int | None = None
    step_s: float = 0.0
    refused_ns: int | None = None  # when the disk last refused Frames
    refused: int = 0
    unjudged: dict[str, int] = field(default_factory=dict)


class GatewayHealth:
    """The gateway, and the alarms of one machine."""

    def __init__(self, site: Site, machine: str) -> None:
        self._kinds = subjects(site, machine).kinds
        self._tags = {
            alarm.name: (alarm.tag, alarm.reference)
            if isinstance(alarm, DeviationAlarm)
            else (alarm.tag,)
            for alarm in site.file.alarms
            if alarm.machine == machine and not isinstance(alarm, MalfunctionAlarm)
        }
        brush = site.machine(machine).brush
        # Between two touches of a brush the value is held, and nothing is judged by design.
        between_s = brush.missed_after_s if brush is not None else 0.0
        self._unjudged_ns = round(max(_UNJUDGED_S, between_s) * 1e9)

    def step(
        self,
        memory: GatewayMemory,
        seen: Seen,
        alarms: tuple[AlarmRecord, ...],
        in_doubt: Set[str],
    ) -> tuple[GatewayMemory, tuple[Found, ...]]:
        """`alarms` are those of the step before; of tags `in_doubt` it is said already why."""
        unjudged = self._unjudged(memory.unjudged, seen, alarms)
        memory = _remembered(memory, seen, unjudged)
        if memory == _QUIET and seen.gateway == GATEWAY_WELL:
            return memory, ()
        return memory, (*_of_gateway(memory, seen), *self._of_alarms(memory, seen, in_doubt))

    def _unjudged(
        self, before: dict[str, int], seen: Seen, alarms: tuple[AlarmRecord, ...]
    ) -> dict[str, int]:
        """Since when each alarm is not judged; the same object if nothing changed."""
        now = {
            a.alarm: before.get(a.alarm, seen.clock_ns)
            for a in alarms
            if not a.judged
            and a.alarm in self._tags
            and a.state not in (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
        }
        return before if now == before else now

    def _of_alarms(self, memory: GatewayMemory, seen: Seen, in_doubt: Set[str]) -> Iterator[Found]:
        for name, since_ns in memory.unjudged.items():
            tags = self._tags[name]
            lasting_ns = seen.clock_ns - since_ns
            explained = any(tag in seen.blind or tag in in_doubt for tag in tags)
            if lasting_ns > self._unjudged_ns and not explained:
                status = ", ".join(f"{tag} is {seen.samples[tag].status.name}" for tag in tags)
                detail = f"alarm {name} for {lasting_ns / 1e9:.0f} s: {status}"
                yield Found(tags[0], self._kinds[tags[0]], "alarm not judged", detail)


_QUIET: Final = GatewayMemory()


def _remembered(memory: GatewayMemory, seen: Seen, unjudged: dict[str, int]) -> GatewayMemory:
    told: GatewayCondition = seen.gateway
    stepped_ns, step_s = memory.stepped_ns, memory.step_s
    if told.clock_step_s != 0.0:
        stepped_ns, step_s = seen.clock_ns, told.clock_step_s
    elif stepped_ns is not None and seen.clock_ns - stepped_ns > _STEP_KEPT_NS:
        stepped_ns, step_s = None, 0.0
    refused_ns, refused = memory.refused_ns, memory.refused
    if told.unarchived_frames > 0:
        refused_ns, refused = seen.clock_ns, told.unarchived_frames
    elif refused_ns is not None and seen.clock_ns - refused_ns > _UNARCHIVED_KEPT_NS:
        refused_ns, refused = None, 0
    now = GatewayMemory(stepped_ns, step_s, refused_ns, refused, unjudged)
    return memory if now == memory else now


def _of_gateway(memory: GatewayMemory, seen: Seen) -> Iterator[Found]:
    told = seen.gateway
    causes = (
        (memory.refused_ns is not None, "frames not archived", f"{memory.refused} Frames"),
        (memory.stepped_ns is not None, "clock stepped", f"by {memory.step_s:+.3f} s"),
        (
            told.late_share > LATE_SHARE,
            "gateway overload",
            f"{told.late_share:.0%} of the last steps began late, at most {LATE_SHARE:.0%} may",
        ),
        (
            told.archive_room < _LITTLE_ROOM,
            "disk nearly full",
            f"free is {told.archive_room:.0%} of what the archive may still grow",
        ),
        (
            told.configuration_changed,
            "configuration changed",
            "the site file on the disk is not the one that runs",
        ),
    )
    for so, cause, detail in causes:
        if so:
            yield Found(GATEWAY, Subject.GATEWAY, cause, detail)
