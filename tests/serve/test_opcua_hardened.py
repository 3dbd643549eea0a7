"""OPC UA clients that ask for too much, for others' things, or for nothing at all."""

import asyncio
import contextlib
import struct

import pytest
from asyncua import Client, ua
from asyncua.ua import ObjectIds

from gateway.serve.opcua import hardened, transport
from tests.serve.opcua_plant import Heard, Plant, code_of, tag

pytestmark = pytest.mark.asyncio(loop_scope="module")


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
    monkeypatch.setattr(transport, "NOT_READING_FOR_S", 0.3)
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
