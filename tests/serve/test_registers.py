"""The served register map: what stands where, and that it stays there."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.serve.quality import modbus_quality
from gateway.serve.registers import MachineNow, image, layout, served_map
from gateway.site.installed import Site
from gateway.tags import (
    BAD_OUT_OF_RANGE,
    BAD_SENSOR_FAILURE,
    GOOD,
    GOOD_LOCAL_OVERRIDE,
    STATUS_NAMES,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_LAST_USABLE_VALUE,
    AlarmRecord,
    AlarmState,
    Limit,
    Sample,
    Status,
)
from tests.serve.sites import ALARMS, NOON_NS, SIGNALS, limit_alarm, machine, make_site, number

SERVED = {"modbus": {}}


def shown(
    site: Site, samples: dict[str, tuple[float | bool | None, Status]], age_s: float = 0.0
) -> list[int]:
    """The image as register values; tags that are not named are bad."""
    blocks = layout(site)
    now = [
        MachineNow(
            True,
            tuple(
                Sample(t.tag, *samples.get(t.tag, (None, BAD_SENSOR_FAILURE)), NOON_NS)
                for t in b.tags
            ),
            tuple(age_s for _ in b.tags),
            tuple(AlarmRecord(a, AlarmState.NORMAL, True, 0) for a in b.alarms),
        )
        for b in blocks
    ]
    data = image(blocks, 7, now)
    return list(struct.unpack(f">{len(data) // 2}H", data))


@pytest.mark.parametrize(
    ("value", "words"),
    # IEEE 754 single, order ABCD: worked values of the project's check-value sheet, 2.6.
    [
        (1.0, [0x3F80, 0x0000]),
        (-2.5, [0xC020, 0x0000]),
        (123.456, [0x42F6, 0xE979]),
        (47.3, [0x423D, 0x3333]),
        (1000000.0, [0x4974, 0x2400]),
    ],
)
def test_value_is_float32_with_the_high_word_first(value: float, words: list[int]) -> None:
    """A value stands as IEEE 754 single, high word first, at the tag's own address."""
    registers = shown(make_site(SERVED), {"G1.R": (value, GOOD)}, age_s=12.9)
    assert [*words, 0, 0, 2, 12] == registers[110:116]


def test_status_is_exact_with_its_limit_bits() -> None:
    """The StatusCode stands whole: Uncertain, units exceeded, limit high is 0x40940600."""
    # OPC 10000-4, 7.39.1, with the limit bits 9-8 = high (check-value sheet, 3.1, worked).
    status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)
    registers = shown(make_site(SERVED), {"G1.R": (100.0, status)})
    assert [0x4094, 0x0600, 1] == registers[112:115]


def test_bad_shows_no_number() -> None:
    """A bad tag reads as not-a-number, with its status, quality 0 and the longest age."""
    registers = shown(make_site(SERVED), {}, age_s=float("inf"))
    assert [0x7FC0, 0x0000, 0x808C, 0x0000, 0, 0xFFFF] == registers[110:116]


def test_value_beyond_float32_is_bad_and_not_infinite() -> None:
    """A value that no float32 can hold is shown as bad, never as infinity."""
    registers = shown(make_site(SERVED), {"G1.R": (1e300, GOOD)})
    assert [0x7FC0, 0x0000, BAD_OUT_OF_RANGE >> 16, 0, 0] == registers[110:115]


def test_two_state_tag_is_one_or_zero() -> None:
    """A contact reads as 1.0 or 0.0."""
    for value, word in ((True, 0x3F80), (False, 0x0000)):
        registers = shown(make_site(SERVED), {"G1.FAULT": (value, GOOD)})
        assert [word, 0] == registers[122:124]


def test_every_status_has_a_quality() -> None:
    """0 is bad, 1 uncertain and 2 good, by the severity bits alone (OPC 10000-4, 7.39)."""
    for status in STATUS_NAMES:
        assert 2 - min(int(status) >> 30, 2) == modbus_quality(status)
    assert 2 == modbus_quality(GOOD_LOCAL_OVERRIDE)
    assert 1 == modbus_quality(UNCERTAIN_LAST_USABLE_VALUE.with_limit(Limit.LOW))
    assert 0 == modbus_quality(Status(0xC0000000))


def test_header_and_block_heads() -> None:
    """The header and the head of each block say what is there."""
    registers = shown(make_site(SERVED), {})
    assert [1, 7, 2, 1, 2, 100, 400, 6] == registers[:8]
    assert [1, 0, 0, 0b11, 0, 3, 2, 0, 0, 0] == registers[100:110]
    assert [1, 0, 0, 0b01, 0, 1, 1, 0, 0, 0] == registers[500:510]
    assert 900 == len(registers)


def test_one_lost_machine_takes_field_side_alive_down() -> None:
    """The one word that says all is well does so only when every machine is alive."""
    site = make_site(SERVED)
    blocks = layout(site)
    now = [
        MachineNow(
            k == 0,
            tuple(Sample(t.tag, None, BAD_SENSOR_FAILURE, 0) for t in b.tags),
            tuple(0.0 for _ in b.tags),
            tuple(AlarmRecord(a, AlarmState.NORMAL, False, 0) for a in b.alarms),
        )
        for k, b in enumerate(blocks)
    ]
    registers = struct.unpack(">900H", image(blocks, 65537, now))
    assert (1, 2, 0, 1) == registers[1:5]
    assert (1, 0) == (registers[100], registers[500])


def many_alarms(count: int) -> list[dict[str, object]]:
    return [limit_alarm(f"G1.A{n}", "G1", "G1.R") for n in range(1, count + 1)]


@pytest.mark.parametrize(
    ("alarm", "address", "bit"),
    [(1, 101, 0), (16, 101, 15), (17, 497, 0), (32, 497, 15), (33, 494, 0), (40, 494, 7)],
)
def test_alarm_bits_beyond_sixteen(alarm: int, address: int, bit: int) -> None:
    """Alarms 17-32 stand in the last three registers of the block, 33-48 in the three before."""
    site = make_site(SERVED, alarms=many_alarms(40))
    blocks = layout(site)
    now = [
        MachineNow(
            True,
            tuple(Sample(t.tag, None, BAD_SENSOR_FAILURE, 0) for t in b.tags),
            tuple(0.0 for _ in b.tags),
            tuple(
                AlarmRecord(
                    a,
                    AlarmState.UNACKNOWLEDGED if a == f"G1.A{alarm}" else AlarmState.NORMAL,
                    a == f"G1.A{alarm}",
                    0,
                )
                for a in b.alarms
            ),
        )
        for b in blocks
    ]
    registers = struct.unpack(">900H", image(blocks, 0, now))
    words = [registers[a : a + 3] for a in (101, 497, 494)]
    expected = {a: (1 << bit,) * 3 if a == address else (0, 0, 0) for a in (101, 497, 494)}
    assert list(expected.values()) == words


def test_words_of_further_alarms_say_which_they_are() -> None:
    """The row of a word names the alarms that it holds, counted from 1."""
    rows = served_map(make_site(SERVED, alarms=many_alarms(17)))
    told = [(r.address, r.what) for r in rows if r.machine == "G1" and "active" in r.what]
    assert [(101, "alarms active"), (497, "alarms active 17-32")] == told
    (acknowledge,) = (r for r in rows if r.machine == "G1" and r.what == "acknowledge")
    assert 104 == acknowledge.address


@given(st.integers(0, 60), st.integers(0, 40))
def test_appending_elsewhere_moves_nothing(more_tags: int, more_alarms: int) -> None:
    """Tags appended to one machine, and alarms to any, move no address of what was there."""
    before = {(r.machine, r.tag, r.what): r.address for r in served_map(make_site(SERVED))}
    site = make_site(
        SERVED,
        signals=(*SIGNALS, *(number(f"G1.X{n}", "G1") for n in range(more_tags))),
        alarms=(*ALARMS, *many_alarms(more_alarms)),
    )
    after = {(r.machine, r.tag, r.what): r.address for r in served_map(site)}
    assert before == {key: after[key] for key in before}


@given(st.integers(0, 60), st.integers(0, 70))
def test_map_rows_never_overlap_and_cover_what_is_served(tags: int, alarms: int) -> None:
    """No two items share a register, and none lies outside of its machine's block."""
    site = make_site(
        SERVED,
        signals=[number(f"G1.X{n}", "G1") for n in range(tags)],
        alarms=many_alarms(alarms),
    )
    rows = served_map(site)
    used = [a for r in rows for a in range(r.address, r.address + r.registers)]
    assert len(used) == len(set(used))
    for row in rows:
        first = {"": 0, "G1": 100, "G2": 500}[row.machine]
        assert first <= row.address
        assert row.address + row.registers <= (100 if row.machine == "" else first + 400)


def test_rows_say_address_unit_and_reference() -> None:
    """A row has the zero-based address, the six-digit reference, the type and the unit."""
    rows = {(r.tag, r.what): r for r in served_map(make_site(SERVED))}
    value = rows["G1.U", "value"]
    assert (116, "400117", "float32", "V", 2) == (
        value.address,
        value.reference,
        value.type,
        value.unit,
        value.registers,
    )
    assert "400001" == rows["", "map version"].reference
    assert "" == rows["G1.FAULT", "value"].unit
    assert () == served_map(make_site({}))


def test_too_many_tags_is_one_clear_error() -> None:
    """Tags that do not fit are refused with the machine, the need and the setting."""
    site = make_site({"modbus": {"registers_per_machine": 27}})
    with pytest.raises(ValueError, match=r"registers_per_machine: machine G1 needs 28 registers"):
        served_map(site)
    assert served_map(make_site({"modbus": {"registers_per_machine": 28}}))


def test_alarm_words_count_as_registers_too() -> None:
    """The words of alarms 17-32 may not run into the tags."""
    site = make_site({"modbus": {"registers_per_machine": 30}}, alarms=many_alarms(17))
    with pytest.raises(ValueError, match="needs 31 registers for 3 tags and 17 alarms"):
        served_map(site)


def test_map_beyond_the_address_space_is_one_clear_error() -> None:
    """Blocks that end beyond 65536 are refused with the largest size that would fit."""
    machines = [machine(f"M{n}") for n in range(14)]
    site = make_site(
        {"modbus": {"registers_per_machine": 5000}}, signals=(), alarms=(), machines=machines
    )
    with pytest.raises(ValueError, match=r"end at 70100, beyond the 65536 .* at most 4674"):
        served_map(site)
