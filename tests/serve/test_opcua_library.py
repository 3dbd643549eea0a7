"""The OPC UA library: what we override still looks as it did, and its faults are still there.

A red test here after a new version means: read the change, adapt or drop the override.
"""

import inspect
from types import SimpleNamespace
from typing import Any

import pytest
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server import binary_server_asyncio, server
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.internal_subscription import InternalSubscription
from asyncua.server.monitored_item_service import MonitoredItemData, MonitoredItemService
from asyncua.server.subscription_service import SubscriptionService
from asyncua.server.user_managers import PermissiveUserManager
from asyncua.ua import ua_binary
from asyncua.ua.uaprotocol_auto import DataChangeFilter

from gateway.serve.opcua.hardened import (
    GuardedInternalServer,
    GuardedServer,
    GuardedSession,
)
from gateway.serve.opcua.reporting import GuardedItems
from gateway.serve.opcua.transport import GuardedBinaryServer, GuardedProtocol

SIGNATURES = {
    (GuardedSession, "__init__"): "(self, internal_server, aspace, submgr, name, user, external)",
    (GuardedSession, "create_session"): "(self, params, sockname)",
    (GuardedSession, "activate_session"): "(self, params, peer_certificate)",
    (GuardedSession, "close_session"): "(self, delete_subs)",
    (GuardedSession, "read"): "(self, params)",
    (GuardedSession, "browse"): "(self, params)",
    (GuardedSession, "translate_browsepaths_to_nodeids"): "(self, params)",
    (GuardedSession, "create_subscription"): "(self, params, callback, request_callback)",
    (GuardedSession, "create_monitored_items"): "(self, params)",
    (GuardedSession, "modify_monitored_items"): "(self, params)",
    (GuardedSession, "delete_monitored_items"): "(self, params)",
    (GuardedSession, "set_monitoring_mode"): "(self, params)",
    (GuardedSession, "modify_subscription"): "(self, params)",
    (GuardedSession, "set_publishing_mode"): "(self, params)",
    (GuardedSession, "delete_subscriptions"): "(self, ids)",
    (GuardedSession, "transfer_subscriptions"): "(self, params, callback)",
    (GuardedSession, "publish"): "(self, acks)",
    (GuardedSession, "republish"): "(self, params)",
    (GuardedInternalServer, "__init__"): "(self, user_manager)",
    (GuardedInternalServer, "create_session"): "(self, name, user, external)",
    (GuardedInternalServer, "register_server"): "(self, server, conf)",
    (GuardedProtocol, "__init__"): "(self, iserver, policies, clients, closing_tasks, limits)",
    (GuardedProtocol, "_process_one_msg"): "(self, header, buf)",
    (GuardedProtocol, "data_received"): "(self, data)",
    (GuardedProtocol, "pause_writing"): "(self)",
    (GuardedProtocol, "resume_writing"): "(self)",
    (GuardedProtocol, "connection_lost"): "(self, ex)",
    (GuardedBinaryServer, "_make_protocol"): "(self)",
    (GuardedServer, "__init__"): "(self, iserver, user_manager)",
    (GuardedServer, "start"): "(self)",
    (GuardedItems, "_create_data_change_monitored_item"): "(self, params)",
    (GuardedItems, "_modify_monitored_item"): "(self, params)",
    (GuardedItems, "_set_monitoring_mode"): "(self, mode, mid)",
    (GuardedItems, "datachange_callback"): "(self, handle, value, error)",
}


def names(function: Any) -> str:
    return f"({', '.join(inspect.signature(function).parameters)})"


@pytest.mark.parametrize("guarded", sorted({c for c, _ in SIGNATURES}, key=lambda c: c.__name__))
def test_every_override_is_known_here(guarded: type) -> None:
    """What a guarded class overrides of the library's is what this file watches, no less."""
    library = guarded.__mro__[1]
    overridden = {
        name
        for name, member in vars(guarded).items()
        if callable(member) and getattr(library, name, None) is not None
    }
    assert {n for c, n in SIGNATURES if c is guarded} == overridden


@pytest.mark.parametrize(
    ("guarded", "method"), SIGNATURES, ids=[f"{c.__name__}.{m}" for c, m in SIGNATURES]
)
def test_library_method_has_the_parameters_it_had(guarded: type, method: str) -> None:
    """The library's own method takes what it took when the override was written."""
    assert SIGNATURES[guarded, method] == names(getattr(guarded.__mro__[1], method))


def test_library_still_makes_what_we_replace() -> None:
    """Sessions, items and connections come from where we hook in."""
    assert "InternalSession(" in inspect.getsource(InternalServer.create_session)
    assert "MonitoredItemService(" in inspect.getsource(InternalSubscription.__init__)
    assert "_make_protocol" in inspect.getsource(binary_server_asyncio.BinaryServer.start)
    start = inspect.getsource(server.Server.start)
    for step in ("_setup_server_nodes", "iserver.start", "BinaryServer(", "set_policies"):
        assert step in start
    assert "ua.datetime_to_win_epoch(" in inspect.getsource(ua_binary._DateTime.pack)


class Queue:
    """What a subscription would send."""

    def __init__(self) -> None:
        self.sent: list[Any] = []
        self.data = ua.CreateSubscriptionResult()

    async def enqueue_datachange_event(self, mid: int, event: Any, size: int) -> None:
        self.sent.append(event.Value.Value.Value)


async def reported(service: type[MonitoredItemService], values: list[ua.DataValue]) -> list[Any]:
    """What one item with an absolute deadband of 1 reports of these values."""
    queue = Queue()
    items = service(queue, SimpleNamespace())  # type: ignore[arg-type]
    item = MonitoredItemData()
    item.mode = ua.MonitoringMode.Reporting
    item.filter = DataChangeFilter(
        Trigger=ua.DataChangeTrigger.StatusValue,
        DeadbandType=ua.UInt32(1),
        DeadbandValue=ua.Double(1.0),
    )
    items._monitored_items[1] = item
    items._monitored_datachange[7] = 1
    for value in values:
        try:
            await items.datachange_callback(7, value)
        except TypeError:
            queue.sent.append("raised")
    return queue.sent


def good(value: float) -> ua.DataValue:
    return ua.DataValue(ua.Variant(value, ua.VariantType.Double))


BAD = ua.DataValue(ua.Variant(None), ua.StatusCode(ua.UInt32(0x80050000)))
RAMP = [good(n / 2) for n in range(6)]


async def test_library_still_loses_bad_behind_a_deadband() -> None:
    """The library fails on good -> bad -> good with a deadband; ours tells all three."""
    values = [good(10.0), BAD, good(10.0)]
    assert [10.0, None, 10.0] == await reported(GuardedItems, values)
    assert [10.0, None, 10.0] != await reported(MonitoredItemService, values)


async def test_library_still_compares_with_the_sample_before() -> None:
    """The library never tells of a ramp of half deadbands; ours tells when it is exceeded."""
    assert [0.0, 1.5] == await reported(GuardedItems, RAMP)
    assert [0.0] == await reported(MonitoredItemService, RAMP)


def test_library_still_counts_its_tokens() -> None:
    """The library's session tokens are consecutive numbers; ours are 32 random bytes."""
    stock, guarded = InternalServer(), GuardedInternalServer(lambda certificate: False)
    tokens = [stock.create_session("x", external=True).auth_token.Identifier for _ in range(2)]
    assert 1 == tokens[1] - tokens[0]
    ours = {guarded.create_session("x", external=True).auth_token.Identifier for _ in range(8)}
    assert (8, {32}) == (len(ours), {len(t) for t in ours})


def test_library_still_lets_admin_in_with_any_password() -> None:
    """The library's own user manager is permissive; ours lets in nobody with a name."""
    stock, guarded = InternalServer(), GuardedInternalServer(lambda certificate: False)
    assert isinstance(stock.user_manager, PermissiveUserManager)
    admin = stock.user_manager.get_user(stock, "admin", "any")
    assert "Admin" == admin.role.name  # type: ignore[union-attr]
    assert None is guarded.user_manager.get_user(guarded, "admin", "any")


def test_library_still_rounds_times_to_the_microsecond() -> None:
    """The library's encoder works on datetimes, which end at the microsecond."""
    assert "_microsecond" in inspect.getsource(ua.uatypes.datetime_to_win_epoch)


def test_library_still_fails_on_an_unknown_item() -> None:
    """The library raises where it should answer BadMonitoredItemIdInvalid."""
    request = ua.MonitoredItemModifyRequest()
    with pytest.raises(TypeError):
        MonitoredItemService(Queue(), SimpleNamespace())._modify_monitored_item(  # type: ignore[arg-type]
            request
        )


def test_library_still_takes_any_subscription_number() -> None:
    """The library's session hands every number on, whoever's subscription it is."""
    for method in (
        InternalSession.delete_subscriptions,
        InternalSession.modify_subscription,
        InternalSession.republish,
        InternalSession.publish,
    ):
        assert "session_id" not in inspect.getsource(method)


def test_library_still_grants_any_publishing_interval() -> None:
    """The library's subscription gets the interval that was asked for, however short."""
    source = inspect.getsource(SubscriptionService.create_subscription)
    assert "RevisedPublishingInterval = params.RequestedPublishingInterval\n" in source


async def activated(claimed: bytes, channel: bytes | None, trusted: bytes) -> str:
    """How a session ends that claims one certificate on the channel of another."""
    iserver = GuardedInternalServer(lambda certificate: certificate == trusted)
    session = iserver.create_session("x", external=True)
    await session.create_session(ua.CreateSessionParameters(ClientCertificate=claimed))
    parameters = ua.ActivateSessionParameters(UserIdentityToken=ua.AnonymousIdentityToken())
    try:
        session.activate_session(parameters, channel)
    except ServiceError as error:
        return ua.StatusCode(ua.UInt32(error.code)).name
    await session.close_session()
    return "Good"


@pytest.mark.parametrize(
    ("claimed", "channel", "answer"),
    [
        (b"known", b"known", "Good"),
        (b"known", b"other", "BadSecurityChecksFailed"),
        (b"", b"other", "BadSecurityChecksFailed"),
        (b"other", b"other", "BadCertificateUntrusted"),
        (b"", None, "Good"),  # a channel without security, where one is offered
    ],
)
async def test_certificate_of_the_channel_is_the_one_that_counts(
    claimed: bytes, channel: bytes | None, answer: str
) -> None:
    """A trusted certificate that is only claimed opens nothing."""
    assert answer == await activated(claimed, channel, b"known")
    assert "certificate_validator" not in inspect.getsource(InternalSession.activate_session)


async def test_foreign_acknowledgement_takes_nothing() -> None:
    """A session acknowledges messages of its own subscriptions only."""
    iserver = GuardedInternalServer(lambda certificate: False)
    owner, other = (iserver.create_session("x", external=True) for _ in range(2))

    async def keep(result: Any, request: Any = None) -> None:
        pass

    made = [
        await s.create_subscription(ua.CreateSubscriptionParameters(), keep, lambda n: None)
        for s in (owner, other)
    ]
    waiting = iserver.subscription_service.subscriptions[made[0].SubscriptionId]
    waiting._not_acknowledged_results[1] = ua.PublishResult()
    acknowledgement = ua.SubscriptionAcknowledgement(made[0].SubscriptionId, ua.Counter(1))
    assert (1, ["BadSubscriptionIdInvalid"]) == _named(other.publish([acknowledgement]))
    assert [1] == list(waiting._not_acknowledged_results)
    assert (1, ["Good"]) == _named(owner.publish([acknowledgement]))
    assert (1, ["BadSequenceNumberUnknown"]) == _named(owner.publish([acknowledgement]))
    for session in (owner, other):
        await session.close_session(False)
    assert {} == iserver.subscription_service.subscriptions
    with pytest.raises(ServiceError):
        owner.publish([])


def _named(answer: tuple[int, list[ua.StatusCode]]) -> tuple[int, list[str]]:
    return answer[0], [s.name for s in answer[1]]
