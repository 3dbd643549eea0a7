"""OPC UA as a client of the plant meets it: a real client over a real socket."""

import asyncio
import contextlib
import socket
from typing import Any

import pytest
from asyncua import Client, ua
from asyncua.ua import ObjectIds

from gateway.serve.opcua import OpcUaOutlet, hardened
from gateway.serve.opcua.address_space import AddressSpace
from gateway.serve.outlet import Feed
from gateway.tags import (
    BAD_SENSOR_FAILURE,
    UNCERTAIN_ENGINEERING_UNITS_EXCEEDED,
    AlarmState,
    Limit,
)
from tests.serve.opcua_plant import Heard, Plant, code_of, tag
from tests.serve.sites import Clock, Orders, free_port, make_frame, make_report, make_site

pytestmark = pytest.mark.asyncio(loop_scope="module")


async def test_site_is_browsed_by_machine(client: Client) -> None:
    """Objects/<site>/<machine>/ holds tags with range, unit, uncertainty and description."""
    top = await client.nodes.objects.get_child("2:Ternholt")
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
    assert ["urn:rotor-gateway:Ternholt", "urn:rotor-gateway:Ternholt:tags"] == (
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
    assert ["urn:rotor-gateway:Ternholt"] == [e.Server.ApplicationUri for e in endpoints]
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


async def test_values_that_cannot_be_written_end_the_service(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """When the outlet itself fails, clients lose it rather than see values that stand still."""
    port = free_port()
    site = make_site({"opcua": {"port": port}})
    clock = Clock()
    feed = Feed(site, clock)
    outlet = OpcUaOutlet(site, feed, Orders())
    await outlet.start()
    await asyncio.sleep(0.05)
    reader, writer = await asyncio.open_connection("127.0.0.1", port)

    async def fail(self: AddressSpace, machine: str) -> None:
        raise RuntimeError("a fault of our own")

    monkeypatch.setattr(AddressSpace, "show", fail)
    feed.take(make_frame("G1", clock, []))
    for stream in ((reader, writer), await asyncio.open_connection("127.0.0.1", port)):
        async with asyncio.timeout(5):
            with contextlib.suppress(ConnectionError):
                assert b"" == await stream[0].read()
        stream[1].close()
    await outlet.stop()
