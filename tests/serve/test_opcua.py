"""OPC UA as a client of the plant meets it: a real client over a real socket."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.ua import ObjectIds

from gateway.serve.opcua import OpcUaOutlet, hardened
from gateway.serve.outlet import Feed
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    GOOD,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    AlarmState,
    Limit,
    Sample,
    Status,
)
from tests.serve.sites import (
    Clock,
    Orders,
    contact,
    free_port,
    limit_alarm,
    make_frame,
    make_report,
    make_site,
    number,
)

# One server for the file: building the standard's own nodes takes more than a second.
pytestmark = pytest.mark.asyncio(loop_scope="module")


@dataclass
class Plant:
    """The outlet under test, with the Feed and the clock behind it."""

    port: int
    feed: Feed
    clock: Clock
    outlet: OpcUaOutlet
    frames: int = 0
    held: dict[str, Sample] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}/"

    async def show(
        self,
        tag: str,
        value: float | bool | None,
        status: Status = GOOD,
        uncertainty: float | None = None,
        alarms: Sequence[tuple[str, AlarmState]] = (),
        judged: bool = True,
    ) -> Sample:
        """A Frame of G1 with this sample (and those shown before), until it is written."""
        self.clock.advance(1)
        sample = Sample(tag, value, status, self.clock.utc_ns, uncertainty)
        self.held[tag] = sample
        self.feed.take(make_frame("G1", self.clock, tuple(self.held.values()), alarms, judged))
        await asyncio.sleep(0.02)  # the outlet writes in its own task
        return sample


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def plant() -> AsyncIterator[Plant]:
    port = free_port()
    signals = [number(f"G1.R{n}", "G1") for n in range(12)]
    signals.append(number("G1.U", "G1", "V", "400 V"))
    signals.append(contact("G1.FAULT", "G1"))
    signals.append(number("G2.R", "G2"))
    alarms = [limit_alarm("G1.R.LOW", "G1", "G1.R0"), limit_alarm("G2.R.LOW", "G2", "G2.R")]
    site = make_site({"opcua": {"port": port}}, signals, alarms)
    clock = Clock()
    feed = Feed(site, clock)
    outlet = OpcUaOutlet(site, feed, Orders())
    await outlet.start()
    yield Plant(port, feed, clock, outlet)
    await outlet.stop()


@pytest_asyncio.fixture(loop_scope="module")
async def client(plant: Plant) -> AsyncIterator[Client]:
    async with Client(plant.url) as connected:
        yield connected


class Heard:
    """Keeps what a subscription hears."""

    def __init__(self) -> None:
        self.values: list[ua.DataValue] = []
        self.wake = asyncio.Event()

    def datachange_notification(self, node: Any, val: Any, data: Any) -> None:
        self.values.append(data.monitored_item.Value)
        self.wake.set()

    async def settle(self, count: int) -> list[tuple[Any, int]]:
        """(value, StatusCode) of all so far, once `count` came and two more cycles passed."""
        async with asyncio.timeout(5):
            while len(self.values) < count:
                self.wake.clear()
                await self.wake.wait()
        await asyncio.sleep(0.25)
        return [(v.Value.Value, v.StatusCode.value) for v in self.values]


def tag(client: Client, name: str) -> Any:
    return client.get_node(f"ns=2;s={name}")


async def code_of(action: Any) -> str:
    """Name of the StatusCode with which the server refuses this; 'Good' if it does not."""
    try:
        await action
    except ua.UaStatusCodeError as error:
        return ua.StatusCode(ua.UInt32(error.code)).name
    return "Good"


async def test_site_is_browsed_by_machine(client: Client) -> None:
    """Objects/<site>/<machine>/ holds tags with range, unit, uncertainty and description."""
    top = await client.nodes.objects.get_child("2:Falkenau")
    machines = [await n.read_browse_name() for n in await top.get_children()]
    assert ["G1", "G2"] == [n.Name for n in machines]
    node = await top.get_child(["2:G1", "2:G1.R0"])
    assert "ns=2;s=G1.R0" == node.nodeid.to_string()
    assert ObjectIds.AnalogItemType == (await node.read_type_definition()).Identifier
    assert ObjectIds.Double == (await node.read_data_type()).Identifier
    assert "value of G1.R0" == (await node.read_description()).Text
    spans = await (await node.get_child("0:EURange")).read_value()
    assert (0.0, 100.0) == (spans.Low, spans.High)
    units = await (await node.get_child("0:EngineeringUnits")).read_value()
    assert (4338745, "kΩ") == (units.UnitId, units.DisplayName.Text)  # B49, check-value sheet 3.3
    assert "http://www.opcfoundation.org/UA/units/un/cefact" == units.NamespaceUri
    assert ["urn:rotor-gateway:Falkenau", "urn:rotor-gateway:Falkenau:tags"] == (
        await client.get_namespace_array()
    )[1:]


async def test_value_status_and_time_pass_unchanged(
    plant: Plant, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client reads the exact StatusCode and, to the tick, the time of the measurement."""
    plant.clock.utc_ns += 123_456_700
    status = UNCERTAIN_ENGINEERING_UNITS_EXCEEDED.with_limit(Limit.HIGH)
    sample = await plant.show("G1.R1", 47.3, status, 0.25)
    read = await tag(client, "G1.R1").read_data_value(raise_on_bad_status=False)
    assert (47.3, 0x40940600) == (read.Value.Value, read.StatusCode.value)
    received: list[int] = []
    decode = ua.win_epoch_to_datetime
    monkeypatch.setattr(ua, "win_epoch_to_datetime", lambda t: (received.append(t), decode(t))[1])
    read = await tag(client, "G1.R1").read_data_value(raise_on_bad_status=False)
    assert 116_444_736_000_000_000 + sample.time_ns // 100 in received
    assert 0 != sample.time_ns // 100 % 10  # a tick that no microsecond holds
    assert None is not read.ServerTimestamp
    assert 0.25 == await tag(client, "G1.R1.StandardUncertainty").read_value()


async def test_bad_has_no_value_and_two_state_is_boolean(plant: Plant, client: Client) -> None:
    """A bad tag is null with its status, a contact a Boolean, what never came is awaited."""
    await plant.show("G1.R2", None, BAD_SENSOR_FAILURE)
    await plant.show("G1.FAULT", True)
    bad = await tag(client, "G1.R2").read_data_value(raise_on_bad_status=False)
    assert (None, 0x808C0000) == (bad.Value.Value, bad.StatusCode.value)
    state = await tag(client, "G1.FAULT").read_data_value()
    assert (True, ua.VariantType.Boolean) == (state.Value.Value, state.Value.VariantType)
    never = await tag(client, "G2.R").read_data_value(raise_on_bad_status=False)
    assert (None, 0x80320000) == (never.Value.Value, never.StatusCode.value)
    uncertainty = await tag(client, "G1.R2.StandardUncertainty").read_value()
    assert uncertainty != uncertainty


async def test_alarm_variables_follow_the_frame(plant: Plant, client: Client) -> None:
    """ActiveState, AckedState, Judged and State say what the Frame says, and how far."""
    names = [f"G1.R.LOW.{v}" for v in ("ActiveState", "AckedState", "Judged", "State")]

    async def shown() -> list[tuple[Any, int]]:
        values = [await tag(client, n).read_data_value(raise_on_bad_status=False) for n in names]
        return [(v.Value.Value, v.StatusCode.value) for v in values]

    state = AlarmState.UNACKNOWLEDGED
    await plant.show("G1.R0", 10.0, alarms=[("G1.R.LOW", state)])
    assert [(True, 0), (False, 0), (True, 0), ("unacknowledged", 0)] == await shown()
    await plant.show("G1.R0", 10.0, alarms=[("G1.R.LOW", state)], judged=False)
    frozen = 0x40900000
    assert [(True, frozen), (False, frozen), (False, 0), ("unacknowledged", frozen)] == (
        await shown()
    )


async def test_ramp_is_heard_through_a_deadband(plant: Plant, client: Client) -> None:
    """A slow drift of 25 in steps of 0.5 is heard each time it leaves a deadband of 1."""
    await plant.show("G1.R3", 0.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    await subscription.deadband_monitor(tag(client, "G1.R3"), 1.0, queuesize=100)
    for step in range(1, 51):
        await plant.show("G1.R3", step / 2)
    assert [(1.5 * n, 0) for n in range(17)] == await heard.settle(17)
    await subscription.delete()


async def test_bad_passes_a_deadband(plant: Plant, client: Client) -> None:
    """Good, bad, the same good again and a new value are four messages, whatever the deadband."""
    await plant.show("G1.R4", 10.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    await subscription.deadband_monitor(tag(client, "G1.R4"), 5.0, queuesize=100)
    await plant.show("G1.R4", None, BAD_SENSOR_FAILURE)
    await plant.show("G1.R4", 10.0)
    await plant.show("G1.R4", 50.0)
    assert [(10.0, 0), (None, 0x808C0000), (10.0, 0), (50.0, 0)] == await heard.settle(4)
    await subscription.delete()


async def test_percent_deadband_is_of_the_range(plant: Plant, client: Client) -> None:
    """0.5 % of 0..100 kohm: 40.0 to 40.5 is not told, 40.6 is; without a range it is refused."""
    # Worked in check-value sheet 3.3 (OPC 10000-8, 7.2).
    await plant.show("G1.R5", 40.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    await subscription.deadband_monitor(tag(client, "G1.R5"), 0.5, deadbandtype=2, queuesize=100)
    await plant.show("G1.R5", 40.5)
    await plant.show("G1.R5", 40.6)
    assert [(40.0, 0), (40.6, 0)] == await heard.settle(2)
    for node, width in (("G1.FAULT", 0.5), ("G1.R5", 101.0), ("G1.R5", -1.0)):
        refused = subscription.deadband_monitor(tag(client, node), width, deadbandtype=2)
        assert "BadDeadbandFilterInvalid" == await code_of(refused)
    await subscription.delete()


async def test_lost_field_side_is_told_to_subscribers(plant: Plant, client: Client) -> None:
    """When Frames stop, a subscriber hears 'last usable value' with the value and its time."""
    sample = await plant.show("G1.R6", 33.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    await subscription.subscribe_data_change(tag(client, "G1.R6"))
    await heard.settle(1)
    plant.clock.advance(2.9)
    nobody = [].append
    plant.feed.subscribe(nobody)  # sets the timers anew, by the clock of the test
    plant.clock.advance(0.2)
    assert [(33.0, 0), (33.0, 0x408F0000)] == await heard.settle(2)
    times = {v.SourceTimestamp for v in heard.values}
    assert {sample.time_ns // 1000} == {round(t.timestamp() * 1e6) for t in times}
    plant.feed.unsubscribe(nobody)
    await subscription.delete()


async def test_service_level_follows_the_sources(plant: Plant, client: Client) -> None:
    """255 with all machines and devices, less with fewer, 1 when no device or machine is there."""
    node = client.get_node(ua.NodeId(ObjectIds.Server_ServiceLevel))
    for answering, level in (
        ([True, True], 255),
        ([True, False], 2 + 197 * 3 // 4),
        ([False, False], 1),
        ([True, True], 255),
    ):
        plant.feed.take_report(make_report(answering))
        plant.feed.take(make_frame("G2", plant.clock, []))
        await plant.show("G1.R0", 1.0)
        assert level == await node.read_value()
    plant.clock.advance(10)  # an old report of good devices is no data
    nobody = [].append
    plant.feed.subscribe(nobody)  # sets the timers anew, by the clock of the test
    await asyncio.sleep(0.1)
    assert 1 == await node.read_value()
    plant.feed.unsubscribe(nobody)


async def test_server_names_itself_and_leaves_no_null(client: Client) -> None:
    """The nodes that describe the server have values, and they are our own."""
    build = await client.get_node(ua.NodeId(ObjectIds.Server_ServerStatus_BuildInfo)).read_value()
    assert ("rotor gateway", "rotor gateway") == (build.ProductName, build.ManufacturerName)
    endpoints = await client.get_endpoints()
    assert ["urn:rotor-gateway:Falkenau"] == [e.Server.ApplicationUri for e in endpoints]
    assert [[0]] == [[int(t.TokenType) for t in e.UserIdentityTokens] for e in endpoints]
    for name in (
        "Server_Auditing",
        "Server_ServiceLevel",
        "Server_ServerStatus_StartTime",
        "Server_ServerStatus_CurrentTime",
        "Server_ServerRedundancy_RedundancySupport",
        "Server_ServerDiagnostics_EnabledFlag",
        "Server_ServerDiagnostics_ServerDiagnosticsSummary",
        "Server_ServerDiagnostics_ServerDiagnosticsSummary_CurrentSessionCount",
        "Server_ServerCapabilities_ServerProfileArray",
        "Server_ServerCapabilities_LocaleIdArray",
        "Server_ServerCapabilities_MaxSessions",
        "Server_ServerCapabilities_MaxBrowseContinuationPoints",
    ):
        node = client.get_node(ua.NodeId(getattr(ObjectIds, name)))
        assert (name, True) == (name, await node.read_value() is not None)


async def test_readers_cannot_change_anything(plant: Plant, client: Client) -> None:
    """Writes, calls, node management and server registration are refused; so is any name."""
    node = tag(client, "G1.R7")
    await plant.show("G1.R7", 5.0)
    objects = client.nodes.objects
    refused = {
        "write": node.write_value(6.0),
        "write attribute": node.write_attribute(
            ua.AttributeIds.DisplayName, ua.DataValue(ua.LocalizedText("x"))
        ),
        "add": objects.add_variable(ua.NodeId("x", 2), "2:x", 1.0),
        "delete": client.delete_nodes([node]),
        "call": objects.call_method(ua.NodeId(ObjectIds.Server_GetMonitoredItems), 1),
        "history": node.read_raw_history(),
    }
    for what, action in refused.items():
        assert (what, "BadUserAccessDenied") == (what, await code_of(action))
    register = client.uaclient.register_server(ua.RegisteredServer())
    assert "BadServiceUnsupported" == await code_of(register)
    assert 5.0 == await node.read_value()
    for name in ("admin", "operator"):
        other = Client(plant.url)
        other.set_user(name)
        other.set_password("x")
        with pytest.raises(ua.UaError):
            await other.connect()
        with contextlib.suppress(Exception):
            await other.disconnect()


@pytest.mark.parametrize(
    ("asked", "granted"), [(0.001, 100.0), (0, 100.0), (-5, 100.0), (250, 250.0), (1e9, 60_000.0)]
)
async def test_publishing_interval_is_clamped(client: Client, asked: float, granted: float) -> None:
    """No client can make the server publish faster than ten times a second."""
    parameters = ua.CreateSubscriptionParameters(
        RequestedPublishingInterval=asked,  # type: ignore[arg-type]
        RequestedLifetimeCount=1000,  # type: ignore[arg-type]
        RequestedMaxKeepAliveCount=10,  # type: ignore[arg-type]
        PublishingEnabled=True,
    )
    made = await client.uaclient.create_subscription(parameters, callback=lambda r: None)
    assert granted == made.RevisedPublishingInterval
    await client.uaclient.delete_subscriptions([made.SubscriptionId])


async def test_a_subscription_belongs_to_its_session(plant: Plant, client: Client) -> None:
    """Another session can neither delete, stop, read, transfer nor acknowledge it."""
    await plant.show("G1.R8", 1.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    item = await subscription.subscribe_data_change(tag(client, "G1.R8"))
    await heard.settle(1)
    number_ = subscription.subscription_id
    async with Client(plant.url) as other:
        await other.create_subscription(1000, Heard())
        ask = other.uaclient
        invalid = "BadSubscriptionIdInvalid"
        assert [invalid] == [s.name for s in await ask.delete_subscriptions([number_])]
        mode = ua.SetPublishingModeParameters(False, [number_])
        assert [invalid] == [s.name for s in await ask.set_publishing_mode(mode)]
        assert [invalid] == [
            t.StatusCode.name
            for t in await ask.transfer_subscriptions(
                ua.TransferSubscriptionsParameters([number_], False)
            )
        ]
        for action in (
            ask.create_monitored_items(ua.CreateMonitoredItemsParameters(number_)),
            ask.modify_monitored_items(ua.ModifyMonitoredItemsParameters(number_)),
            ask.delete_monitored_items(ua.DeleteMonitoredItemsParameters(number_, [item])),
            ask.set_monitoring_mode(ua.SetMonitoringModeParameters(number_)),
            ask.modify_subscription(ua.ModifySubscriptionParameters(number_)),
            ask.protocol.send_request(
                ua.RepublishRequest(Parameters=ua.RepublishParameters(number_, 1))
            ),
        ):
            assert invalid == await code_of(action)
    await plant.show("G1.R8", 2.0)
    assert [(1.0, 0), (2.0, 0)] == await heard.settle(2)
    await subscription.delete()


async def test_item_can_be_changed_and_switched_off(plant: Plant, client: Client) -> None:
    """Disabling silences an item, enabling tells the present value; an unknown id is refused."""
    await plant.show("G1.R9", 1.0)
    heard = Heard()
    subscription = await client.create_subscription(100, heard)
    item = await subscription.subscribe_data_change(tag(client, "G1.R9"))
    await heard.settle(1)
    await subscription.set_monitoring_mode(ua.MonitoringMode.Disabled)
    await plant.show("G1.R9", 2.0)
    await subscription.set_monitoring_mode(ua.MonitoringMode.Sampling)
    await plant.show("G1.R9", 3.0)
    assert [(1.0, 0)] == await heard.settle(1)
    await subscription.set_monitoring_mode(ua.MonitoringMode.Reporting)
    assert [(1.0, 0), (3.0, 0)] == await heard.settle(2)
    changed = await subscription.modify_monitored_item(item, 0, 100_000, 10.0)
    assert [("Good", hardened.MOST_QUEUED_VALUES)] == [
        (r.StatusCode.name, r.RevisedQueueSize) for r in changed
    ]
    await plant.show("G1.R9", 12.0)
    await plant.show("G1.R9", 14.0)
    assert [(1.0, 0), (3.0, 0), (14.0, 0)] == await heard.settle(3)
    request = ua.MonitoredItemModifyRequest(MonitoredItemId=999_999)  # type: ignore[arg-type]
    answer = await client.uaclient.modify_monitored_items(
        ua.ModifyMonitoredItemsParameters(
            subscription.subscription_id,
            ItemsToModify=[request],
        )
    )
    assert ["BadMonitoredItemIdInvalid"] == [r.StatusCode.name for r in answer]
    await subscription.delete()


async def test_requests_are_bounded(client: Client) -> None:
    """More operations in a request than announced are refused; so are subscriptions."""
    many = ua.ReadParameters(
        NodesToRead=[
            ua.ReadValueId(ua.NodeId(ObjectIds.Server_NamespaceArray), ua.AttributeIds.Value)
        ]
        * (hardened.MOST_OPERATIONS + 1)
    )
    assert "BadTooManyOperations" == await code_of(client.uaclient.read(many))
    announced = ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead
    assert hardened.MOST_OPERATIONS == await client.get_node(ua.NodeId(announced)).read_value()
    made = [
        await client.create_subscription(1000, Heard())
        for _ in range(hardened.MOST_SUBSCRIPTIONS_A_SESSION)
    ]
    one_more = client.create_subscription(1000, Heard())
    assert "BadTooManySubscriptions" == await code_of(one_more)
    for subscription in made:
        await subscription.delete()


async def test_endless_chunk_ends_the_connection(plant: Plant) -> None:
    """A header that claims two gigabytes does not make the server wait for them."""
    reader, writer = await asyncio.open_connection("127.0.0.1", plant.port)
    writer.write(b"HELF" + struct.pack("<I", 0x7FFF_FFFF) + bytes(200_000))
    async with asyncio.timeout(5):
        with contextlib.suppress(ConnectionError):
            assert b"" == await reader.read()
    writer.close()


async def test_client_that_does_not_read_loses_its_connection(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that asks and never takes the answers is cut off and holds little memory."""
    monkeypatch.setattr(hardened, "NOT_READING_FOR_S", 0.3)
    greedy = Client(plant.url)
    await greedy.connect()
    mine = greedy.uaclient.protocol.transport.get_extra_info("sockname")
    clients = plant.outlet._server.bserver.clients  # type: ignore[union-attr]
    (served,) = [c for c in clients if c.peer_name == mine]
    greedy.uaclient.protocol.transport.pause_reading()
    read = ua.ReadParameters(
        NodesToRead=[
            ua.ReadValueId(ua.NodeId(ObjectIds.Server_ServerStatus), ua.AttributeIds.Value)
        ]
        * 1000
    )
    asked = []
    most = 0
    try:
        async with asyncio.timeout(8):
            while not served.transport.is_closing():
                # Many at once: what is received before reading stops must not be answered either.
                burst = 60 if not asked else 1
                asked += [asyncio.ensure_future(greedy.uaclient.read(read)) for _ in range(burst)]
                await asyncio.sleep(0.005)
                most = max(most, served.transport.get_write_buffer_size())
        assert 0 < most < 65_536 + 2 * 120_000  # high water, and answers of about 116 kB
    finally:
        served.transport.abort()
        for request in asked:
            request.cancel()
        await asyncio.gather(*asked, return_exceptions=True)
        with contextlib.suppress(Exception):
            await greedy.disconnect()


async def test_sessions_are_bounded_and_forgotten(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sessions that are made and never activated do not pile up, and their tokens are secret."""
    opener = Client(plant.url)
    await opener.connect_socket()
    await opener.send_hello()
    await opener.open_secure_channel()
    iserver = plant.outlet._server.iserver  # type: ignore[union-attr]
    before = set(iserver._external_sessions)
    monkeypatch.setattr(hardened, "MOST_SESSIONS", len(before) + 5)
    for _ in range(5):
        await opener.create_session()
    tokens = set(iserver._external_sessions) - before
    assert [32] * 5 == [len(t.Identifier) for t in tokens]
    assert "BadTooManySessions" == await code_of(opener.create_session())
    monkeypatch.setattr(hardened, "ACTIVATION_WITHIN_S", -1.0)
    await opener.create_session()
    assert 1 == len(set(iserver._external_sessions) - before)
    await opener.close_secure_channel()
    opener.disconnect_socket()


async def test_stop_ends_every_connection() -> None:
    """After a stop nothing listens and a connected client knows it."""
    port = free_port()
    site = make_site({"opcua": {"port": port}})
    outlet = OpcUaOutlet(site, Feed(site, Clock()), Orders())
    await outlet.start()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    await outlet.stop()
    async with asyncio.timeout(5):
        with contextlib.suppress(ConnectionError):
            assert b"" == await reader.read()
    writer.close()
    with socket.socket() as probe:
        assert 0 != probe.connect_ex(("127.0.0.1", port))
