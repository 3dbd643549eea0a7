"""Rounds: what is asked, and when it is due."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.field.reply import Ask
from gateway.field.rounds import Round, most_urgent, queries_of, spread
from gateway.site.model import Device, ModbusRtuLink, ModbusTcpLink
from gateway.site.profile import DeviceProfile

TCP = ModbusTcpLink.model_validate({"kind": "modbus-tcp", "name": "n", "host": "h"})
RTU = ModbusRtuLink.model_validate(
    {"kind": "modbus-rtu", "name": "n", "line": "/dev/ttyS9", "baud": 9600}
)
DEVICE = Device.model_validate({"name": "d", "link": "n", "profile": "p", "unit_id": 9})


def profile(*points: dict[str, object], **more: object) -> DeviceProfile:
    return DeviceProfile.model_validate({"profile": "p", "points": points, **more})


def a_round(period_s: float = 1.0, due_s: float = 0.0) -> Round:
    (query,) = queries_of(
        DEVICE, p := profile({"name": "x", "function": 3, "address": 0}), TCP, p.points
    )
    return Round("d", period_s, (query,), due_s)


def test_addresses_that_count_from_one() -> None:
    """With base 1, register 1 of the profile is address 0 on the wire; gaps count alike."""
    p = profile(
        {"name": "x", "function": 3, "address": 1},
        {"name": "y", "function": 3, "address": 3, "type": "int32"},
        address_base=1,
        unreadable=({"function": 3, "first": 2, "last": 2},),
    )
    asks = [q.ask for q in queries_of(DEVICE, p, TCP, p.points)]
    assert [Ask(9, 3, 0, 1), Ask(9, 3, 2, 2)] == asks
    edge = profile({"name": "x", "function": 3, "address": 65536}, address_base=1)
    assert [Ask(9, 3, 65535, 1)] == [q.ask for q in queries_of(DEVICE, edge, TCP, edge.points)]


@pytest.mark.parametrize(("base", "first"), [(0, 4), (1, 5)])
def test_the_whole_of_an_unreadable_run_is_refused(base: int, first: int) -> None:
    """The first and the last address of a run cannot be read, those beside it can."""
    for address, readable in (
        (first - 1, True),
        (first, False),
        (first + 2, False),
        (first + 3, True),
    ):
        p = profile(
            {"name": "x", "function": 3, "address": address},
            address_base=base,
            unreadable=({"function": 3, "first": first, "last": first + 2},),
        )
        if readable:
            assert [Ask(9, 3, address - base, 1)] == [
                q.ask for q in queries_of(DEVICE, p, TCP, p.points)
            ]
        else:
            with pytest.raises(ValueError, match=r"d\.x .* unreadable"):
                queries_of(DEVICE, p, TCP, p.points)


@pytest.mark.parametrize(
    ("base", "address", "type_"), [(1, 0, "uint16"), (0, 65536, "uint16"), (0, 65535, "float32")]
)
def test_addresses_that_do_not_exist(base: int, address: int, type_: str) -> None:
    """An address outside the 65536 of the protocol is refused with the device and the point."""
    p = profile({"name": "x", "function": 3, "address": address, "type": type_}, address_base=base)
    with pytest.raises(ValueError, match=rf"d\.x: address {address}"):
        queries_of(DEVICE, p, TCP, p.points)


def test_each_point_finds_its_words() -> None:
    """The slices of a query cut the points out of the words of its answer."""
    p = profile(
        {"name": "x", "function": 3, "address": 10},
        {"name": "y", "function": 3, "address": 12, "type": "float32"},
        {"name": "same", "function": 3, "address": 12, "bit": 3, "type": "bool"},
    )
    (query,) = queries_of(DEVICE, p, TCP, p.points)
    words = tuple(range(10, 10 + query.ask.count))
    cut = {name: words[a:b] for name, a, b in query.slices}
    assert {"d.x": (10,), "d.y": (12, 13), "d.same": (12,)} == cut


def test_a_wide_gap_is_read_over_on_tcp_only() -> None:
    """Registers are cheap on TCP and dear at 9600 baud."""
    p = profile(*({"name": f"x{a}", "function": 3, "address": a} for a in (0, 40)))
    assert 1 == len(queries_of(DEVICE, p, TCP, p.points))
    assert 2 == len(queries_of(DEVICE, p, RTU, p.points))


@given(
    period_s=st.floats(0.01, 100.0),
    waits_s=st.lists(st.floats(0.0, 500.0), min_size=1, max_size=30),
)
def test_due_times_never_drift(period_s: float, waits_s: list[float]) -> None:
    """However late rounds run, due times stay whole periods from the first; all are counted."""
    r = a_round(period_s)
    now_s, done, missed = 0.0, 0, 0
    for wait_s in waits_s:
        now_s = max(now_s + wait_s, r.due_s)
        missed += r.catch_up(now_s)
        assert -1e-6 <= now_s - r.due_s < period_s * (1 + 1e-9)
        r.finish()
        done += 1
        assert pytest.approx((done + missed) * period_s, rel=1e-9) == r.due_s


def test_devices_are_spread_evenly() -> None:
    """Four devices of one period are due a quarter of it apart."""
    devices = [[a_round(2.0), a_round(0.2)] for _ in range(4)]
    spread(devices, 100.0)
    assert [100.0, 100.5, 101.0, 101.5] == [d[0].due_s for d in devices]
    assert [100.0, 100.05, 100.1, 100.15] == [pytest.approx(d[1].due_s) for d in devices]


def test_the_earliest_deadline_goes_first() -> None:
    """Of the rounds that are due the fast one goes first, though the slow one was due before."""
    slow, fast, later = a_round(10.0, 0.0), a_round(0.5, 0.4), a_round(0.1, 0.9)
    assert fast is most_urgent([slow, fast, later], 0.5)
    assert slow is most_urgent([slow, later], 0.5)
    assert later is most_urgent([later, a_round(0.1, 1.0)], 0.5)
