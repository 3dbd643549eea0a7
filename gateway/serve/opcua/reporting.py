"""Which changes a subscriber hears of: the library's monitored items with their faults mended.

The library compares a deadband with the last sample and not with the last one reported, so that
a slow drift is never heard of; it loses the change of a value to bad; it ignores a percent
deadband; it reports an item that is only to be sampled; it copies every value deeply. Refuses a
deadband that cannot be meant (BadDeadbandFilterInvalid).
"""

from dataclasses import replace
from math import isfinite
from typing import Any

from asyncua import ua
from asyncua.server.monitored_item_service import MonitoredItemService
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaprotocol_auto import DataChangeFilter

from gateway.serve.opcua.values import status_code

_GOOD = status_code(StatusCodes.Good)
_NUMBERS = frozenset(
    {
        ua.VariantType.SByte,
        ua.VariantType.Byte,
        ua.VariantType.Int16,
        ua.VariantType.UInt16,
        ua.VariantType.Int32,
        ua.VariantType.UInt32,
        ua.VariantType.Int64,
        ua.VariantType.UInt64,
        ua.VariantType.Float,
        ua.VariantType.Double,
    }
)


def worth_reporting(
    reported: ua.DataValue | None, value: ua.DataValue, wanted: DataChangeFilter | None
) -> bool:
    """Whether `value` is to be sent after `reported` was (OPC 10000-4, 7.22.2).

    A change of status always is. An absolute deadband must be exceeded, not met, and is measured
    from what the client was told last; with one, a new source time alone tells nothing.
    """
    if reported is None or reported.StatusCode != value.StatusCode:
        return True
    trigger = ua.DataChangeTrigger.StatusValue if wanted is None else wanted.Trigger
    if trigger == ua.DataChangeTrigger.Status:
        return False
    deadband = 0.0
    if wanted is not None and wanted.DeadbandType == ua.DeadbandType.Absolute:
        deadband = wanted.DeadbandValue
    old, new = _number(reported), _number(value)
    if old is not None and new is not None:
        if abs(new - old) > deadband:
            return True
    elif reported.Value != value.Value:
        return True
    return (
        deadband == 0.0
        and trigger == ua.DataChangeTrigger.StatusValueTimestamp
        and reported.SourceTimestamp != value.SourceTimestamp
    )


def _number(value: ua.DataValue) -> float | None:
    variant = value.Value
    if variant is None or variant.VariantType not in _NUMBERS or variant.is_array:
        return None
    number: float = variant.Value
    return number if isfinite(number) else None


class GuardedItems(MonitoredItemService):
    """The monitored items of one subscription."""

    async def _create_data_change_monitored_item(
        self, params: ua.MonitoredItemCreateRequest
    ) -> ua.MonitoredItemCreateResult:
        watched = params.ItemToMonitor
        status, wanted = self._usable_filter(watched, params.RequestedParameters.Filter)
        if not status.is_good():
            return ua.MonitoredItemCreateResult(StatusCode=status)
        params.RequestedParameters.Filter = wanted
        return await super()._create_data_change_monitored_item(params)

    def _modify_monitored_item(
        self, params: ua.MonitoredItemModifyRequest
    ) -> ua.MonitoredItemModifyResult:
        item = self._monitored_items.get(params.MonitoredItemId)
        if item is None or item.read_value_id is None:
            return ua.MonitoredItemModifyResult(
                StatusCode=status_code(StatusCodes.BadMonitoredItemIdInvalid)
            )
        asked = params.RequestedParameters
        wanted = asked.Filter
        if item.where_clause_evaluator is None:
            status, wanted = self._usable_filter(item.read_value_id, wanted)
            if not status.is_good():
                return ua.MonitoredItemModifyResult(StatusCode=status)
        item.filter = wanted
        item.client_handle = asked.ClientHandle
        item.queue_size = self._revise_queue_size(asked.QueueSize)
        return ua.MonitoredItemModifyResult(
            RevisedSamplingInterval=self.isub.data.RevisedPublishingInterval,
            RevisedQueueSize=ua.UInt32(item.queue_size),
        )

    async def _set_monitoring_mode(self, mode: ua.MonitoringMode, mid: int) -> ua.StatusCode:
        item = self._monitored_items.get(mid)
        if item is None:
            return status_code(StatusCodes.BadMonitoredItemIdInvalid)
        before, item.mode = item.mode, mode
        if mode == ua.MonitoringMode.Disabled:
            item.mvalue.current_dvalue = None  # enabling it again reports the first value
        if (
            mode == ua.MonitoringMode.Reporting != before
            and item.callback_handle is not None
            and item.read_value_id is not None
        ):
            watched = item.read_value_id
            await self.trigger_datachange(item.callback_handle, watched.NodeId, watched.AttributeId)
        return _GOOD

    async def datachange_callback(
        self, handle: int, value: ua.DataValue, error: ua.StatusCode | None = None
    ) -> None:
        if error:
            await self.trigger_statuschange(error)
            return
        item = self._monitored_items[self._monitored_datachange[handle]]
        if item.mode != ua.MonitoringMode.Reporting:
            return
        if not worth_reporting(item.mvalue.current_dvalue, value, item.filter or None):
            return
        item.mvalue.current_dvalue = value
        notification = ua.MonitoredItemNotification()
        notification.ClientHandle = item.client_handle
        notification.Value = value
        await self.isub.enqueue_datachange_event(
            self._monitored_datachange[handle], notification, item.queue_size
        )

    def _usable_filter(
        self, watched: ua.ReadValueId, asked: Any
    ) -> tuple[ua.StatusCode, DataChangeFilter | None]:
        """The filter with a percent deadband turned into an absolute one, or why it is none."""
        if not asked:  # an absent filter arrives as an empty ExtensionObject, not as None
            return _GOOD, None
        # Requests are decoded to the generated class, of which ua.DataChangeFilter is a child.
        if not isinstance(asked, DataChangeFilter):
            return status_code(StatusCodes.BadMonitoredItemFilterUnsupported), None
        if asked.DeadbandType == ua.DeadbandType.None_:
            return _GOOD, asked
        if watched.AttributeId != AttributeIds.Value:
            return status_code(StatusCodes.BadFilterNotAllowed), None
        deadband = asked.DeadbandValue
        if asked.DeadbandType == ua.DeadbandType.Percent:
            span = self._span(watched.NodeId)
            # OPC 10000-8, 7.2: 0 to 100 % of EURange.
            deadband = deadband / 100 * span if 0 <= deadband <= 100 else -1.0
        if not (isfinite(deadband) and deadband >= 0):
            return status_code(StatusCodes.BadDeadbandFilterInvalid), None
        absolute = ua.UInt32(ua.DeadbandType.Absolute)
        return _GOOD, replace(asked, DeadbandType=absolute, DeadbandValue=deadband)

    def _span(self, nodeid: ua.NodeId) -> float:
        """Width of the node's EURange; not a number without one."""
        node = self.aspace.get(nodeid)
        for reference in () if node is None else node.references:
            if reference.IsForward and reference.BrowseName.Name == "EURange":
                found = self.aspace.read_attribute_value(reference.NodeId, AttributeIds.Value).Value
                if found is not None and isinstance(found.Value, ua.Range):
                    return float(found.Value.High - found.Value.Low)
        return float("nan")
