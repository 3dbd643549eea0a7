"""What is asked of each device, in what order, and when it is due.

PURE. A round reads all points of one poll class of one device. Due times are absolute, so a late
round does not make the next one late; rounds that were missed whole are left out and counted,
never made up for. Refuses (ValueError) a point that its device cannot give.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from gateway.field.line_time import rtu_cost, tcp_cost
from gateway.field.plan import Limits, Span, plan
from gateway.field.reply import Ask
from gateway.site.model import Device, ModbusRtuLink, ModbusTcpLink
from gateway.site.profile import DeviceProfile, Point, RegisterSpan
from gateway.tags import Status


@dataclass(frozen=True, slots=True)
class Query:
    """One request, and which words of its answer belong to which point."""

    ask: Ask
    slices: tuple[tuple[str, int, int], ...]  # point, first word, word behind the last one


@dataclass(slots=True)
class Round:
    """One poll class of one device, and how far it has come."""

    device: str
    period_s: float
    queries: tuple[Query, ...]
    due_s: float = 0.0  # monotonic
    at: int = 0  # the query that is next
    told: list[Status | None] = field(default_factory=list)  # what each query last brought

    def __post_init__(self) -> None:
        self.told = [None] * len(self.queries)

    def catch_up(self, now_s: float) -> int:
        """Move the due time to the newest one that has come; how many older ones are missed."""
        missed = max(0, int((now_s - self.due_s) / self.period_s))
        self.due_s += missed * self.period_s
        return missed

    def finish(self) -> None:
        """The round is over; the next one is due a period after this one was."""
        self.at = 0
        self.due_s += self.period_s


def queries_of(
    device: Device,
    profile: DeviceProfile,
    link: ModbusTcpLink | ModbusRtuLink,
    points: Iterable[Point],
) -> tuple[Query, ...]:
    """The requests that bring these points. Raises ValueError if the device cannot give one."""
    base = profile.address_base
    limits = Limits(
        profile.registers_per_request,
        profile.bits_per_request,
        tuple(_forbidden(u, base) for u in profile.unreadable),
    )
    cost = (
        rtu_cost(link.baud, profile.turnaround)
        if isinstance(link, ModbusRtuLink)
        else tcp_cost(profile.turnaround)
    )
    spans = [Span(f"{device.name}.{p.name}", p.function, p.address - base, p.width) for p in points]
    for span in spans:
        if span.address < 0 or span.end > 0x10000:
            raise ValueError(
                f"{span.name}: address {span.address + base} does not exist in profile "
                f"{profile.profile}, which counts from {base}; correct the address"
            )
    return tuple(
        Query(
            Ask(device.unit_id, r.function, r.address, r.count),
            tuple((s.name, s.address - r.address, s.end - r.address) for s in r.spans),
        )
        for r in plan(spans, limits, cost)
    )


def spread(devices: Sequence[Sequence[Round]], begin_s: float) -> None:
    """Set first due times: each device at its own even share of every one of its periods."""
    for place, rounds in enumerate(devices):
        for r in rounds:
            r.due_s = begin_s + r.period_s * place / len(devices)


def most_urgent(rounds: Sequence[Round], now_s: float) -> Round:
    """Of the rounds that are due, the one with the earliest deadline; else the next one due.

    The deadline of a round is the due time of its successor (earliest deadline first).
    """
    due = [r for r in rounds if r.due_s <= now_s]
    if due:
        return min(due, key=lambda r: r.due_s + r.period_s)
    return min(rounds, key=lambda r: r.due_s)


def _forbidden(run: RegisterSpan, base: int) -> Span:
    first = max(0, run.first - base)
    return Span("unreadable", run.function, first, max(0, run.last - base + 1 - first))
