"""The OPC UA server library, closed where it is open.

What is added: session tokens that cannot be guessed, subscriptions that only their own session
can touch, a check of the certificate that secured the channel and not only of the one that the
client claims, bounds for sessions, subscriptions, items, operations and message sizes,
publishing intervals that cannot burn the processor. Anonymous users may read, browse and
subscribe. Refuses everything else: writes, calls, node management, registration of
other servers.

`tests/serve/test_opcua_library.py` fails when a new version of the library changes what is
overridden here, or mends a fault so that the override can go.
"""

import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import PermissionRuleset, User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.internal_subscription import InternalSubscription
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from gateway.serve.opcua.reporting import GuardedItems
from gateway.serve.opcua.transport import GuardedBinaryServer
from gateway.serve.opcua.values import standard_node, status_code

# Bounds. Common practice, no source; each far above what one display or historian asks for.
MOST_CONNECTIONS: Final = 40
MOST_SESSIONS: Final = 40
MOST_SUBSCRIPTIONS: Final = 200
MOST_SUBSCRIPTIONS_A_SESSION: Final = 10
MOST_ITEMS_A_SESSION: Final = 10_000
MOST_OPERATIONS: Final = 1000
MOST_QUEUED_VALUES: Final = 100
MOST_UNACKNOWLEDGED: Final = 100
MOST_WAITING_REQUESTS: Final = 100
MOST_MESSAGE_BYTES: Final = 4 << 20
MOST_CHUNKS: Final = 64
SHORTEST_PUBLISHING_MS: Final = 100.0
LONGEST_PUBLISHING_MS: Final = 60_000.0
LONGEST_SESSION_MS: Final = 120_000.0
ACTIVATION_WITHIN_S: Final = 30.0

_ANONYMOUS: Final = User(role=UserRole.Anonymous)
_READERS_SERVICES: Final = frozenset(
    standard_node(getattr(ObjectIds, f"{name}Request_Encoding_DefaultBinary"))
    for name in (
        "CloseSecureChannel",
        "Read",
        "Browse",
        "TranslateBrowsePathsToNodeIds",
        "RegisterNodes",
        "UnregisterNodes",
        "CreateSubscription",
        "ModifySubscription",
        "DeleteSubscriptions",
        "TransferSubscriptions",
        "SetPublishingMode",
        "CreateMonitoredItems",
        "ModifyMonitoredItems",
        "DeleteMonitoredItems",
        "SetMonitoringMode",
        "Publish",
        "Republish",
    )
)


def publishing_interval_ms(asked_ms: float) -> float:
    """The interval that is granted; what is no number or too short becomes the shortest."""
    if not asked_ms >= SHORTEST_PUBLISHING_MS:
        return SHORTEST_PUBLISHING_MS
    return min(asked_ms, LONGEST_PUBLISHING_MS)


def _bounded(operations: Sequence[Any]) -> None:
    if len(operations) > MOST_OPERATIONS:
        raise ServiceError(StatusCodes.BadTooManyOperations)


class ReadersOnly(PermissionRuleset):
    """Services that an anonymous session may use; nobody has another role yet."""

    def check_validity(self, user: User, action_type: ua.NodeId, body: Any) -> bool:
        return user.role == UserRole.Anonymous and action_type in _READERS_SERVICES


class AnonymousUsers(UserManager):
    """Lets in who gives no name; there are no others yet."""

    def get_user(
        self,
        iserver: InternalServer,
        username: str | None = None,
        password: str | None = None,
        certificate: Any = None,
    ) -> User | None:
        return _ANONYMOUS if username is None else None


class GuardedSession(InternalSession):
    """A session that owns its subscriptions and nobody else's."""

    iserver: "GuardedInternalServer"

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._claimed_certificate: bytes | None = None
        if self.external:
            # The library counts tokens up from 1000, so anyone could take over a session.
            self.iserver.unregister_external_session(self)
            self.auth_token = ua.NodeId(
                ua.ByteString(os.urandom(32)), ua.Int16(0), ua.NodeIdType.ByteString
            )
            self.iserver.register_external_session(self)

    async def create_session(
        self, params: ua.CreateSessionParameters, sockname: tuple[str, int] | None = None
    ) -> ua.CreateSessionResult:
        self._claimed_certificate = params.ClientCertificate
        return await super().create_session(params, sockname)

    def activate_session(
        self, params: ua.ActivateSessionParameters, peer_certificate: bytes | None
    ) -> ua.ActivateSessionResult:
        # The library checks only the certificate that the client claims to have; this is the
        # one whose key secured the channel.
        if self.external and peer_certificate:
            if self._claimed_certificate != peer_certificate:
                raise ServiceError(StatusCodes.BadSecurityChecksFailed)
            if not self.iserver.trusts(peer_certificate):
                raise ServiceError(StatusCodes.BadCertificateUntrusted)
        return super().activate_session(params, peer_certificate)

    async def close_session(self, delete_subs: bool = True) -> None:
        # Nobody could take over what is left behind, so nothing is.
        await super().close_session(True)

    def _owned(self) -> dict[int, InternalSubscription]:
        return {
            number: s
            for number, s in self.subscription_service.subscriptions.items()
            if not self.external or s.session_id == self.session_id
        }

    def _own(self, number: int) -> InternalSubscription:
        found = self._owned().get(number)
        if found is None:
            raise ServiceError(StatusCodes.BadSubscriptionIdInvalid)
        return found

    async def read(self, params: ua.ReadParameters) -> list[ua.DataValue]:
        _bounded(params.NodesToRead)
        return await super().read(params)

    async def browse(self, params: ua.BrowseParameters) -> list[ua.BrowseResult]:
        _bounded(params.NodesToBrowse)
        return await super().browse(params)

    async def translate_browsepaths_to_nodeids(
        self, params: list[ua.BrowsePath]
    ) -> list[ua.BrowsePathResult]:
        _bounded(params)
        return await super().translate_browsepaths_to_nodeids(params)

    async def create_subscription(
        self,
        params: ua.CreateSubscriptionParameters,
        callback: Callable[..., Any],
        request_callback: Callable[..., Any] | None = None,
    ) -> ua.CreateSubscriptionResult:
        if self.external:
            if len(self._owned()) >= MOST_SUBSCRIPTIONS_A_SESSION:
                raise ServiceError(StatusCodes.BadTooManySubscriptions)
            params.RequestedPublishingInterval = ua.Duration(
                publishing_interval_ms(params.RequestedPublishingInterval)
            )
        result = await super().create_subscription(params, callback, request_callback)
        made = self.subscription_service.subscriptions[result.SubscriptionId]
        made.monitored_item_srv = GuardedItems(made, self.aspace)
        return result

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        self._own(params.SubscriptionId)
        _bounded(params.ItemsToCreate)
        items = sum(len(s.monitored_item_srv._monitored_items) for s in self._owned().values())
        if self.external and items + len(params.ItemsToCreate) > MOST_ITEMS_A_SESSION:
            full = status_code(StatusCodes.BadTooManyMonitoredItems)
            return [ua.MonitoredItemCreateResult(StatusCode=full) for _ in params.ItemsToCreate]
        return await super().create_monitored_items(params)

    async def modify_monitored_items(
        self, params: ua.ModifyMonitoredItemsParameters
    ) -> list[ua.MonitoredItemModifyResult]:
        self._own(params.SubscriptionId)
        _bounded(params.ItemsToModify)
        return await super().modify_monitored_items(params)

    async def delete_monitored_items(
        self, params: ua.DeleteMonitoredItemsParameters
    ) -> list[ua.StatusCode]:
        self._own(params.SubscriptionId)
        _bounded(params.MonitoredItemIds)
        return await super().delete_monitored_items(params)

    async def set_monitoring_mode(
        self, params: ua.SetMonitoringModeParameters
    ) -> list[ua.StatusCode]:
        self._own(params.SubscriptionId)
        _bounded(params.MonitoredItemIds)
        return await super().set_monitoring_mode(params)

    def modify_subscription(
        self, params: ua.ModifySubscriptionParameters
    ) -> ua.ModifySubscriptionResult:
        self._own(params.SubscriptionId)
        return super().modify_subscription(params)

    async def set_publishing_mode(
        self, params: ua.SetPublishingModeParameters
    ) -> list[ua.StatusCode]:
        owned = self._owned()
        own = [n for n in params.SubscriptionIds if n in owned]
        done = await super().set_publishing_mode(replace(params, SubscriptionIds=own))
        return _in_order(params.SubscriptionIds, own, done)

    async def delete_subscriptions(self, ids: list[int]) -> list[ua.StatusCode]:
        owned = self._owned()
        own = [n for n in ids if n in owned]
        return _in_order(ids, own, await super().delete_subscriptions(own))

    async def transfer_subscriptions(  # type: ignore[override]
        self, params: ua.TransferSubscriptionsParameters, callback: Callable[..., Any]
    ) -> list[ua.TransferResult]:
        owned = self._owned()
        own = [n for n in params.SubscriptionIds if n in owned]
        done = await super().transfer_subscriptions(replace(params, SubscriptionIds=own), callback)
        refused = ua.TransferResult(StatusCode=status_code(StatusCodes.BadSubscriptionIdInvalid))
        results = dict(zip(own, done, strict=True))
        return [results.get(n, refused) for n in params.SubscriptionIds]

    def publish(
        self, acks: Iterable[ua.SubscriptionAcknowledgement] | None = None
    ) -> tuple[int, list[ua.StatusCode]]:
        own = self._owned()
        if not own:
            raise ServiceError(StatusCodes.BadNoSubscription)
        results = []
        for ack in acks or ():
            found = own.get(ack.SubscriptionId)
            code = StatusCodes.Good
            if found is None:
                code = StatusCodes.BadSubscriptionIdInvalid
            elif ack.SequenceNumber not in found._not_acknowledged_results:
                code = StatusCodes.BadSequenceNumberUnknown
            else:
                found.publish([ack.SequenceNumber])
            results.append(status_code(code))
        return len(own), results

    def republish(self, params: ua.RepublishParameters) -> ua.NotificationMessage:
        found = self._own(params.SubscriptionId)
        if params.RetransmitSequenceNumber not in found._not_acknowledged_results:
            raise ServiceError(StatusCodes.BadMessageNotAvailable)
        return super().republish(params)


def _in_order(
    asked: Sequence[int], own: Sequence[int], done: Sequence[ua.StatusCode]
) -> list[ua.StatusCode]:
    results = dict(zip(own, done, strict=True))
    refused = status_code(StatusCodes.BadSubscriptionIdInvalid)
    return [results.get(n, refused) for n in asked]


class GuardedInternalServer(InternalServer):
    """The library's core with bounds. `trusts` says whether a client's certificate is known."""

    def __init__(self, trusts: Callable[[bytes], bool]) -> None:
        super().__init__(AnonymousUsers())
        self.trusts = trusts
        self.allow_remote_admin = False
        self.max_connections = MOST_CONNECTIONS
        self.max_subscriptions = MOST_SUBSCRIPTIONS
        self.max_session_timeout_ms = LONGEST_SESSION_MS
        self.max_monitored_item_queue_size = MOST_QUEUED_VALUES
        self.max_unacked_messages_per_subscription = MOST_UNACKNOWLEDGED
        self.max_pending_messages_per_connection = MOST_WAITING_REQUESTS
        self.max_pending_activation_seconds = ACTIVATION_WITHIN_S

    def create_session(
        self, name: str, user: User = _ANONYMOUS, external: bool = False
    ) -> InternalSession:
        if external:
            self._forget_unactivated()
            if len(self._external_sessions) >= MOST_SESSIONS:
                raise ServiceError(StatusCodes.BadTooManySessions)
        return GuardedSession(
            self, self.aspace, self.subscription_service, name, user=user, external=external
        )

    def register_server(self, server: Any, conf: Any = None) -> None:
        # The library lets anyone register any number of servers, without a session.
        raise ServiceError(StatusCodes.BadServiceUnsupported)

    def _forget_unactivated(self) -> None:
        # One connection may create sessions without end; the library keeps those for ever.
        oldest = time.monotonic() - ACTIVATION_WITHIN_S
        for session in tuple(self._external_sessions.values()):
            if not session.is_activated() and session._last_activity < oldest:
                self.unregister_external_session(session)


class GuardedServer(Server):
    """The library's server over the guarded core. `init` it, fill its nodes, `start` it."""

    def __init__(self, trusts: Callable[[bytes], bool]) -> None:
        super().__init__(iserver=GuardedInternalServer(trusts))
        self.limits.max_message_size = MOST_MESSAGE_BYTES
        self.limits.max_chunk_count = MOST_CHUNKS
        self.set_identity_tokens([ua.AnonymousIdentityToken])
        self.set_security_policy(
            [ua.SecurityPolicyType.NoSecurity],
            permission_ruleset=ReadersOnly(),  # type: ignore[arg-type]
        )

    async def start(self) -> None:
        """Begins to listen. Raises OSError."""
        await self._setup_server_nodes()
        await self.iserver.start()
        host, port = self._get_bind_socket_info()
        bserver = GuardedBinaryServer(self.iserver, host or "", port or 0, self.limits)
        bserver.set_policies(self._policies)
        try:
            await bserver.start()
        except BaseException:
            await self.iserver.stop()
            raise
        self.bserver = bserver
