"""The nodes that OPC UA clients browse: site, machines, tags, alarms, and how they are kept true.

    Objects / <site> / <machine> /
        <tag>       AnalogItemType, Double, with EURange, EngineeringUnits and the property
                    StandardUncertainty (not a number: unknown); a two-state tag is a Boolean
        <alarm>     object with ActiveState, AckedState, Judged (Boolean) and State (String)

NodeIds are `ns=2;s=<tag>`, `ns=2;s=<alarm>`, `ns=2;s=<alarm>.ActiveState` and so on, so they stay
the same whatever is added. Refuses two things of one name (ValueError), and writes a node only
when its value, status or source time changed.
"""

import asyncio
from collections import Counter
from math import nan
from typing import Final
from urllib.parse import quote

from asyncua import ua
from asyncua.common.instantiate_util import instantiate
from asyncua.common.node import Node
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from gateway.serve.opcua import hardened
from gateway.serve.opcua.values import (
    ExactTime,
    alarm_status,
    data_value,
    engineering_units,
    eu_range,
    exact_time,
    service_level,
    standard_node,
    tag_value,
    uncertainty_value,
)
from gateway.serve.outlet import Feed
from gateway.site.installed import Site, TagDefinition
from gateway.site.model import Machine
from gateway.tags import GOOD, AlarmRecord, Sample

NAMESPACE: Final = 2
ALARM_VARIABLES: Final = ("ActiveState", "AckedState", "Judged", "State")
TAG_PROPERTIES: Final = ("EURange", "EngineeringUnits", "StandardUncertainty")

_BOOLEAN: Final = ua.VariantType.Boolean
_STRING: Final = ua.VariantType.String
_DOUBLE: Final = ua.VariantType.Double


def node_id(name: str) -> ua.NodeId:
    """`ns=2;s=<name>`."""
    return ua.NodeId(ua.String(name), ua.Int16(NAMESPACE))


def namespace_uri(site: Site) -> str:
    """The namespace of everything that the site file names."""
    return f"urn:rotor-gateway:{quote(site.name)}:tags"


def application_uri(site: Site) -> str:
    return f"urn:rotor-gateway:{quote(site.name)}"


def check_names(site: Site) -> None:
    """Raises ValueError if two nodes of the site would have one NodeId."""
    names = [t.tag for t in site.tags]
    names += [f"{t.tag}.{p}" for t in site.tags if t.unit is not None for p in TAG_PROPERTIES]
    names += [a.name for a in site.file.alarms]
    names += [f"{a.name}.{v}" for a in site.file.alarms for v in ALARM_VARIABLES]
    twice = sorted(n for n, times in Counter(names).items() if times > 1)
    if twice:
        raise ValueError(
            f"outputs.opcua: {', '.join(twice)} would be the name of two nodes; "
            "give the tags and alarms of the site names that differ from each other"
        )


class AddressSpace:
    """The site's nodes on one server, kept as the Feed shows them."""

    def __init__(self, server: hardened.GuardedServer, site: Site, feed: Feed) -> None:
        self._server = server
        self._site = site
        self._feed = feed
        self._samples: dict[str, Sample] = {}
        self._alarms: dict[str, tuple[AlarmRecord, int]] = {}
        self._service_level = -1

    async def build(self) -> None:
        """Makes all nodes; everything awaits its initial data then."""
        index = await self._server.register_namespace(namespace_uri(self._site))
        if index != NAMESPACE:
            raise RuntimeError(f"the namespace of the site got index {index}, not {NAMESPACE}")
        top = await self._server.nodes.objects.add_folder(
            node_id(f"site:{self._site.name}"), _name(self._site.name)
        )
        for machine in self._site.file.machines:
            await self._build_machine(top, machine)
            await self.show(machine.name)
        await self._write_server_nodes()
        await self.show_service_level()

    async def show(self, machine: str) -> None:
        """Writes what changed of this machine since the last time."""
        server_time = exact_time(self._feed.now().utc_ns)
        for tag in self._site.tags_of(machine):
            await self._show_tag(tag, server_time)
        frame = self._feed.frame(machine)
        alive = self._feed.alive(machine)
        judged_at = exact_time(0 if frame is None else frame.at.utc_ns)
        for record in self._feed.alarms(machine):
            status = alarm_status(record, alive, awaited=frame is None)
            if self._alarms.get(record.alarm) == (record, status):
                continue
            self._alarms[record.alarm] = record, status
            since = exact_time(record.since_ns)
            for variable, value in zip(
                ALARM_VARIABLES,
                (
                    data_value(record.active, _BOOLEAN, status, since, server_time),
                    data_value(record.acknowledged, _BOOLEAN, status, since, server_time),
                    data_value(record.judged, _BOOLEAN, GOOD, judged_at, server_time),
                    data_value(record.state.value, _STRING, status, since, server_time),
                ),
                strict=True,
            ):
                await self._write(node_id(f"{record.alarm}.{variable}"), value)

    async def show_service_level(self) -> None:
        """Writes ServiceLevel from the machines whose Frames arrive and the devices that answer."""
        alive = [self._feed.alive(m.name) for m in self._site.file.machines]
        report = self._feed.report
        answering = [] if report is None else [d.reachable for d in report.devices]
        sources = [*alive, *answering] if any(answering) or not answering else [False]
        level = service_level(sum(sources), len(sources)) if any(alive) else 1
        if level != self._service_level:
            self._service_level = level
            await self._write(
                standard_node(ObjectIds.Server_ServiceLevel),
                self._now_value(ua.Variant(level, ua.VariantType.Byte)),
            )

    async def _build_machine(self, top: Node, machine: Machine) -> None:
        folder = await top.add_folder(node_id(f"machine:{machine.name}"), _name(machine.name))
        await _describe(folder, machine.description)
        for tag in self._site.tags_of(machine.name):
            await self._build_tag(folder, tag)
            await asyncio.sleep(0)  # making a node is slow; others in this process go on
        for alarm in self._site.file.alarms:
            if alarm.machine == machine.name:
                node = await folder.add_object(node_id(alarm.name), _name(alarm.name))
                await _describe(node, alarm.description)
                for variable in ALARM_VARIABLES:
                    kind = _STRING if variable == "State" else _BOOLEAN
                    await node.add_variable(
                        node_id(f"{alarm.name}.{variable}"),
                        _name(variable),
                        "" if variable == "State" else False,
                        kind,
                    )

    async def _build_tag(self, folder: Node, tag: TagDefinition) -> None:
        if tag.unit is None:
            node = await folder.add_variable(node_id(tag.tag), _name(tag.tag), False, _BOOLEAN)
            await _describe(node, tag.description)
            return
        analog_item = self._server.get_node(standard_node(ObjectIds.AnalogItemType))
        node, *_ = await instantiate(
            folder,
            analog_item,
            nodeid=node_id(tag.tag),
            bname=_name(tag.tag),
            dname=ua.LocalizedText(tag.tag),
            instantiate_optional=False,
        )
        await _describe(node, tag.description)
        # The type leaves number type and rank open; each instance must close them.
        await node.write_attribute(
            AttributeIds.DataType, ua.DataValue(ua.Variant(standard_node(ObjectIds.Double)))
        )
        await node.write_attribute(
            AttributeIds.ValueRank,
            ua.DataValue(ua.Variant(ua.ValueRank.Scalar, ua.VariantType.Int32)),
        )
        await self._write(node_id(f"{tag.tag}.EURange"), self._now_value(eu_range(tag)))
        units = await node.add_property(
            node_id(f"{tag.tag}.EngineeringUnits"),
            ua.QualifiedName(ua.String("EngineeringUnits")),
            engineering_units(tag.unit),
            datatype=standard_node(ObjectIds.EUInformation),
        )
        await self._write(units.nodeid, self._now_value(engineering_units(tag.unit)))
        await node.add_property(
            node_id(f"{tag.tag}.StandardUncertainty"), _name("StandardUncertainty"), nan, _DOUBLE
        )

    async def _show_tag(self, tag: TagDefinition, server_time: ExactTime | None) -> None:
        sample, shown = self._feed.sample(tag.tag), self._samples.get(tag.tag)
        if sample == shown:
            return
        self._samples[tag.tag] = sample
        await self._write(node_id(tag.tag), tag_value(sample, tag.unit is None, server_time))
        if tag.unit is not None and (shown is None or shown.uncertainty != sample.uncertainty):
            await self._write(
                node_id(f"{tag.tag}.StandardUncertainty"), uncertainty_value(sample, server_time)
            )

    async def _write(self, node: ua.NodeId, value: ua.DataValue) -> None:
        written = await self._server.iserver.aspace.write_attribute_value(
            node, AttributeIds.Value, value
        )
        if not written.is_good():
            raise RuntimeError(f"{node.to_string()} cannot be written: {written.name}")

    def _now_value(self, variant: ua.Variant) -> ua.DataValue:
        now = exact_time(self._feed.now().utc_ns)
        return ua.DataValue(variant, SourceTimestamp=now, ServerTimestamp=now)

    async def _write_server_nodes(self) -> None:
        for number, variant in _server_nodes():
            await self._write(standard_node(number), self._now_value(variant))


def _name(text: str) -> ua.QualifiedName:
    return ua.QualifiedName(ua.String(text), ua.UInt16(NAMESPACE))


async def _describe(node: Node, text: str) -> None:
    if text:
        await node.write_attribute(
            AttributeIds.Description, ua.DataValue(ua.Variant(ua.LocalizedText(text)))
        )


def _server_nodes() -> list[tuple[int, ua.Variant]]:
    """Nodes of the Server object that the library leaves null, and limits it leaves too high."""
    ids, kinds = ObjectIds, ua.VariantType

    def number(value: int, kind: ua.VariantType = ua.VariantType.UInt32) -> ua.Variant:
        return ua.Variant(value, kind)

    texts = ua.Variant([], kinds.String, is_array=True)
    capabilities, limits = (
        "Server_ServerCapabilities_",
        "Server_ServerCapabilities_OperationLimits_",
    )
    summary = "Server_ServerDiagnostics_ServerDiagnosticsSummary"
    found = {
        "Server_Auditing": ua.Variant(False, kinds.Boolean),
        "Server_ServerStatus_SecondsTillShutdown": number(0),
        "Server_ServerStatus_ShutdownReason": ua.Variant(ua.LocalizedText("")),
        "Server_ServerRedundancy_RedundancySupport": number(0, kinds.Int32),  # None
        "Server_ServerDiagnostics_EnabledFlag": ua.Variant(False, kinds.Boolean),
        summary: ua.Variant(ua.ServerDiagnosticsSummaryDataType()),
        f"{capabilities}ServerProfileArray": texts,
        f"{capabilities}LocaleIdArray": ua.Variant(["en"], kinds.String),
        f"{capabilities}MinSupportedSampleRate": number(0, kinds.Double),
        f"{capabilities}MaxBrowseContinuationPoints": number(0, kinds.UInt16),
        f"{capabilities}MaxQueryContinuationPoints": number(0, kinds.UInt16),
        f"{capabilities}MaxHistoryContinuationPoints": number(0, kinds.UInt16),
        f"{capabilities}MaxArrayLength": number(hardened.MOST_MESSAGE_BYTES),
        f"{capabilities}MaxStringLength": number(hardened.MOST_MESSAGE_BYTES),
        f"{capabilities}MaxByteStringLength": number(hardened.MOST_MESSAGE_BYTES),
        f"{capabilities}MaxSessions": number(hardened.MOST_SESSIONS),
        f"{capabilities}MaxSubscriptions": number(hardened.MOST_SUBSCRIPTIONS),
        f"{capabilities}MaxSubscriptionsPerSession": number(hardened.MOST_SUBSCRIPTIONS_A_SESSION),
        f"{capabilities}MaxMonitoredItemsPerSubscription": number(hardened.MOST_ITEMS_A_SESSION),
        f"{capabilities}MaxMonitoredItems": number(
            hardened.MOST_ITEMS_A_SESSION * hardened.MOST_SESSIONS
        ),
        f"{capabilities}MaxMonitoredItemsQueueSize": number(hardened.MOST_QUEUED_VALUES),
        f"{limits}MaxNodesPerRead": number(hardened.MOST_OPERATIONS),
        f"{limits}MaxNodesPerBrowse": number(hardened.MOST_OPERATIONS),
        f"{limits}MaxNodesPerTranslateBrowsePathsToNodeIds": number(hardened.MOST_OPERATIONS),
        f"{limits}MaxMonitoredItemsPerCall": number(hardened.MOST_OPERATIONS),
    }
    for counter in (
        "ServerViewCount",
        "CurrentSessionCount",
        "CumulatedSessionCount",
        "SecurityRejectedSessionCount",
        "RejectedSessionCount",
        "SessionTimeoutCount",
        "SessionAbortCount",
        "PublishingIntervalCount",
        "CurrentSubscriptionCount",
        "CumulatedSubscriptionCount",
        "SecurityRejectedRequestsCount",
        "RejectedRequestsCount",
    ):
        found[f"{summary}_{counter}"] = number(0)
    return [(getattr(ids, name), variant) for name, variant in found.items()]
