"""The words that every room speaks: status codes, samples, and their wire forms."""

import json
from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.tags import (
    BAD_COMMUNICATION_ERROR,
    BAD_DEVICE_FAILURE,
    BAD_SENSOR_FAILURE,
    GOOD,
    GOOD_LOCAL_OVERRIDE,
    STATUS_NAMES,
    UNCERTAIN,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    UNCERTAIN_INITIAL_VALUE,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
    UNCERTAIN_SUB_NORMAL,
    UNCERTAIN_SUBSTITUTE_VALUE,
    AlarmRecord,
    AlarmState,
    Command,
    DeviceReport,
    Evidence,
    FieldReport,
    Frame,
    GatewayCondition,
    HealthRecord,
    Instant,
    Limit,
    Order,
    Reading,
    Sample,
    Status,
    Transition,
    Trend,
)

# OPC Foundation UA-Nodeset StatusCode.csv, late-2024 snapshot.
PUBLISHED = {
    "Good": 0x00000000,
    "GoodLocalOverride": 0x00960000,
    "Uncertain": 0x40000000,
    "UncertainNoCommunicationLastUsableValue": 0x408F0000,
    "UncertainLastUsableValue": 0x40900000,
    "UncertainSubstituteValue": 0x40910000,
    "UncertainInitialValue": 0x40920000,
    "UncertainSensorNotAccurate": 0x40930000,
    "UncertainEngineeringUnitsExceeded": 0x40940000,
    "UncertainSubNormal": 0x40950000,
    "UncertainConfigurationError": 0x420F0000,
    "Bad": 0x80000000,
    "BadCommunicationError": 0x80050000,
    "BadTimeout": 0x800A0000,
    "BadNoCommunication": 0x80310000,
    "BadWaitingForInitialData": 0x80320000,
    "BadOutOfRange": 0x803C0000,
    "BadConfigurationError": 0x80890000,
    "BadNotConnected": 0x808A0000,
    "BadDeviceFailure": 0x808B0000,
    "BadSensorFailure": 0x808C0000,
    "BadOutOfService": 0x808D0000,
}


def test_names_are_the_published_ones():
    """Every status that the gateway says has the number and the name of the standard."""
    assert PUBLISHED == {name: int(code) for code, name in STATUS_NAMES.items()}


# OPC UA Part 4 7.39: info type in bits 11-10, limits in bits 9-8, overflow in bit 7.
@pytest.mark.parametrize(
    ("number", "code", "severity", "limit"),
    [
        (0x40940600, UNCERTAIN_ENGINEERING_UNITS_EXCEEDED, "Uncertain", Limit.HIGH),
        (0x40930500, UNCERTAIN_SENSOR_NOT_ACCURATE, "Uncertain", Limit.LOW),
        (0x00000700, GOOD, "Good", Limit.CONSTANT),
        (0x808C0000, BAD_SENSOR_FAILURE, "Bad", Limit.NONE),
        (0x00000480, GOOD, "Good", Limit.NONE),
        (0x00000402, GOOD, "Good", Limit.NONE),
        (0x00000200, GOOD, "Good", Limit.NONE),  # limit bits without the info type mean nothing
        (0xC0000000, Status(0xC0000000), "Bad", Limit.NONE),  # reserved severity: never to be used
    ],
)
def test_parts_of_a_status(number, code, severity, limit):
    """Severity, code and limit are read from their own bits, whatever the other flags."""
    status = Status(number)
    assert (code, severity, limit) == (status.code, status.severity, status.limit)
    flags = (severity == "Good", severity == "Uncertain", severity == "Bad")
    assert flags == (status.is_good, status.is_uncertain, status.is_bad)


@pytest.mark.parametrize(
    ("code", "limit", "number"),
    [
        (UNCERTAIN_ENGINEERING_UNITS_EXCEEDED, Limit.HIGH, 0x40940600),
        (UNCERTAIN_SENSOR_NOT_ACCURATE, Limit.LOW, 0x40930500),
        (GOOD, Limit.CONSTANT, 0x00000700),
        (GOOD.with_limit(Limit.HIGH), Limit.LOW, 0x00000500),
        (GOOD.with_limit(Limit.HIGH), Limit.NONE, 0x00000000),
    ],
)
def test_limit_is_set_as_the_standard_says(code, limit, number):
    """Limit bits come with their info type and replace the ones before (OPC UA Part 4 7.39)."""
    assert number == code.with_limit(limit)


@given(st.sampled_from(sorted(STATUS_NAMES)), st.sampled_from(Limit))
def test_limit_never_changes_the_meaning(code, limit):
    """A code with a limit is the same code, says the limit, and is named with it."""
    status = code.with_limit(limit)
    assert (code, limit, code.severity) == (status.code, status.limit, status.severity)
    assert status.name.startswith(STATUS_NAMES[code])
    assert (limit.name.lower() in status.name) == bool(limit)


def test_unknown_status_is_named_by_its_number():
    """A code that the gateway does not know is shown as the number that the standard lists."""
    assert "0x80340000" == Status(0x80340000).name


def test_worst_keeps_the_first_cause():
    """Of several statuses the worst counts; of equally bad ones, the first."""
    assert GOOD.worst(UNCERTAIN, BAD_DEVICE_FAILURE, BAD_SENSOR_FAILURE) is BAD_DEVICE_FAILURE
    assert BAD_SENSOR_FAILURE.worst(BAD_DEVICE_FAILURE) is BAD_SENSOR_FAILURE
    assert GOOD_LOCAL_OVERRIDE is GOOD_LOCAL_OVERRIDE.worst(GOOD)


@given(st.lists(st.sampled_from(sorted(STATUS_NAMES)), min_size=1))
def test_worst_is_one_of_them_and_none_is_worse(statuses):
    """The worst of several is one of them, and no other has a higher severity."""
    worst = statuses[0].worst(*statuses[1:])
    assert worst in statuses
    assert max(s >> 30 for s in statuses) == worst >> 30


@pytest.mark.parametrize(
    ("value", "status", "uncertainty"),
    [
        (None, GOOD, None),
        (None, UNCERTAIN_LAST_USABLE_VALUE, None),
        (1.0, BAD_SENSOR_FAILURE, None),
        (False, BAD_COMMUNICATION_ERROR, None),
        (inf, GOOD.with_limit(Limit.HIGH), None),
        (nan, UNCERTAIN, None),
        (1.0, GOOD, nan),
        (1.0, GOOD, inf),
        (1.0, GOOD, -0.1),
    ],
)
def test_sample_refuses_what_it_cannot_mean(value, status, uncertainty):
    """A bad sample has no value, any other has a finite one, and no uncertainty is nonsense."""
    with pytest.raises(ValueError, match=r"^R1:"):
        Sample("R1", value, status, 0, uncertainty)


@pytest.mark.parametrize(
    ("status", "measured"),
    [
        (GOOD, True),
        (GOOD.with_limit(Limit.HIGH), True),
        (GOOD_LOCAL_OVERRIDE, True),
        (UNCERTAIN, True),
        (UNCERTAIN_SENSOR_NOT_ACCURATE, True),
        (UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.LOW), True),
        (UNCERTAIN_SUB_NORMAL, True),
        (UNCERTAIN_LAST_USABLE_VALUE, False),
        (UNCERTAIN_LAST_USABLE_VALUE.with_limit(Limit.CONSTANT), False),
        (UNCERTAIN_NO_COMMUNICATION_LAST_USABLE_VALUE, False),
        (UNCERTAIN_SUBSTITUTE_VALUE, False),
        (UNCERTAIN_INITIAL_VALUE, False),
    ],
)
def test_old_values_and_stand_ins_are_not_measured_now(status, measured):
    """Only a value that was measured just now may move an alarm; flags do not change that."""
    assert measured == Sample("R1", 1.0, status, 0).measured_now


def test_bad_sample_is_not_measured_now():
    """No value, no measurement."""
    assert not Sample("R1", None, BAD_SENSOR_FAILURE, 0).measured_now


# Active and acknowledged per state: ISA-18.2-2016 / IEC 62682:2022, 5.4 (latched: on until reset).
@pytest.mark.parametrize(
    ("state", "active", "acknowledged"),
    [
        (AlarmState.NORMAL, False, True),
        (AlarmState.UNACKNOWLEDGED, True, False),
        (AlarmState.ACKNOWLEDGED, True, True),
        (AlarmState.RETURNED_UNACKNOWLEDGED, False, False),
        (AlarmState.LATCHED_UNACKNOWLEDGED, True, False),
        (AlarmState.LATCHED_ACKNOWLEDGED, True, True),
    ],
)
def test_alarm_states_say_active_and_acknowledged(state, active, acknowledged):
    """Each alarm state of the standard is active and acknowledged as the standard draws it."""
    record = AlarmRecord("A", state, True, 0)
    assert (active, acknowledged) == (record.active, record.acknowledged)


texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
nanoseconds = st.integers(0, 2**63 - 1)
instants = st.builds(Instant, nanoseconds, nanoseconds)
statuses = st.builds(
    Status.with_limit, st.sampled_from(sorted(STATUS_NAMES)), st.sampled_from(Limit)
)
numbers = st.floats(allow_nan=False, allow_infinity=False)
samples = statuses.flatmap(
    lambda status: st.builds(
        Sample,
        texts,
        st.none() if status.is_bad else numbers | st.booleans(),
        st.just(status),
        nanoseconds,
        st.none() | st.floats(0, 1e300),
    )
)
states = st.sampled_from(AlarmState)
registers = st.lists(st.integers(0, 0xFFFF), max_size=4).map(tuple)
st.register_type_strategy(float, st.floats(allow_nan=False, allow_infinity=False))
st.register_type_strategy(Status, statuses)
frames = st.builds(
    Frame,
    texts,
    st.integers(0, 2**63 - 1),
    instants,
    st.lists(st.builds(Reading, texts, registers, statuses, instants), max_size=3).map(tuple),
    st.lists(st.builds(Command, st.sampled_from(Order), texts, texts, texts), max_size=2).map(
        tuple
    ),
    st.lists(samples, max_size=3).map(tuple),
    st.lists(st.builds(AlarmRecord, texts, states, st.booleans(), nanoseconds), max_size=2).map(
        tuple
    ),
    st.lists(
        st.builds(Transition, texts, texts, states, states, texts, texts, texts), max_size=2
    ).map(tuple),
    st.from_type(GatewayCondition),
    st.lists(st.from_type(HealthRecord), max_size=2).map(tuple),
    st.lists(st.from_type(Evidence), max_size=2).map(tuple),
    st.none() | st.from_type(Trend),
)
counts = st.integers(0, 2**53)
reports = st.builds(
    FieldReport,
    nanoseconds,
    st.lists(
        st.builds(
            DeviceReport,
            texts,
            texts,
            st.booleans(),
            counts,
            counts,
            counts,
            counts,
            st.floats(0, 1e9),
            texts,
        ),
        max_size=3,
    ).map(tuple),
    counts,
    counts,
    counts,
    counts,
)
FRAME = Frame(
    "G1",
    7,
    Instant(1_700_000_000_000_000_000, 5),
    (Reading("mon.r", (0x41C8, 0), GOOD, Instant(3, 4)),),
    (Command(Order.ACKNOWLEDGE, "G1.R.LOW", "Ada", "seen"),),
    (Sample("G1.R", 25.0, GOOD, 3, 0.5), Sample("G1.F", True, GOOD, 3)),
    (AlarmRecord("G1.R.LOW", AlarmState.ACKNOWLEDGED, True, 2),),
    (
        Transition(
            "G1.R.LOW", "acknowledge", AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Ada"
        ),
    ),
)


@given(frames)
def test_frame_comes_back_as_it_was(frame):
    """A Frame is the same after the wire, and its bytes are the same again."""
    data = frame.encode()
    back = Frame.decode(data)
    assert frame == back
    assert data == back.encode()


def test_types_survive_the_wire():
    """A contact stays true or false and numbers stay numbers, words keep their meaning."""
    back = Frame.decode(FRAME.encode())
    assert [float, bool] == [type(s.value) for s in back.samples]
    assert {Status} == {type(x.status) for x in (*back.samples, *back.readings)}
    assert [AlarmState, Order] == [type(back.alarms[0].state), type(back.commands[0].order)]


def test_frame_bytes_are_canonical():
    """The wire form is one JSON list without spaces, text in UTF-8, numbers as short as exact."""
    frame = replace(FRAME, machine="Gö", readings=(), commands=(), alarms=(), transitions=())
    assert (
        '["Gö",7,[1700000000000000000,5],[],[],'
        '[["G1.R",25.0,0,3,0.5],["G1.F",true,0,3,null]],[],[],'
        "[1.0,0,0.0,0.0,false],[],[],null]"
    ) == frame.encode().decode("utf-8")


@given(reports)
def test_report_comes_back_as_it_was(report):
    """A FieldReport is the same after the wire, and its bytes are the same again."""
    data = report.encode()
    assert report == FieldReport.decode(data)
    assert data == FieldReport.decode(data).encode()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=8)
        | st.dictionaries(
            st.sampled_from(["devices", "time_ns", "steps"]) | texts, inner, max_size=4
        )
    ),
    max_leaves=20,
)


@given(st.binary(max_size=60) | json_values.map(lambda v: json.dumps(v).encode()))
def test_anything_else_is_refused_as_no_frame(data):
    """What is no Frame and no report is refused with ValueError, whatever it is."""
    for kind in (Frame, FieldReport):
        with pytest.raises(ValueError, match=rf"^not a {kind.__name__}: "):
            kind.decode(data)


@given(st.data())
def test_wrong_entry_is_refused(data):
    """A Frame with one entry of a wrong kind is refused, wherever the entry is."""
    rows = json.loads(FRAME.encode())
    places = [(rows, i) for i in range(len(rows))]
    places += [(rows[2], i) for i in range(2)]
    places += [(r, i) for part in rows[3:8] for r in part for i in range(len(r))]
    places += [(rows[8], i) for i in range(len(rows[8]))]
    block, place = data.draw(st.sampled_from(places))
    block[place] = {"an": "object"}
    with pytest.raises(ValueError, match=r"^not a Frame: "):
        Frame.decode(json.dumps(rows).encode())


@pytest.mark.parametrize(
    "data",
    [
        b"[" * 100_000,
        b'["m",1,[0,0],[],[],[["t",1' + b"0" * 400 + b",0,0,null]],[],[]]",
        b'["m",1,[0,0],[],[],[["t",1,1e999,0,null]],[],[]]',
        b'["m",1,[0,0],[],[],[["t",NaN,0,0,null]],[],[]]',
        b'["m",1,[0,0],[],[],[["t",1,0,0,Infinity]],[],[]]',
        b'["m",1,[0,0],[["p",[1.5],0,0,0]],[],[],[],[]]',
        b'["m",1,[0,0],[["p",[1],-1,0,0]],[],[],[],[]]',
        b'["m",1,[0,0],[],[],[],[["a","asleep",true,0]],[]]',
        b'["m",1,[0,0],[],[["shoot","a","b","c"]],[],[],[]]',
        b'["m",1,[0,0],[],[],[],[]]',
    ],
    ids=lambda data: data[:50].decode(),
)
def test_hostile_bytes_are_refused_as_no_frame(data):
    """Deep nesting, numbers beyond all bounds and unknown words end in ValueError as well."""
    with pytest.raises(ValueError, match=r"^not a Frame: "):
        Frame.decode(data)
