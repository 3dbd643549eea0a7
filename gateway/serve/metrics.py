"""What the field side and the tags look like to a metrics collector.

PURE: reads the Feed and renders. A bad tag has a status but no value. Refuses nothing; label
values are escaped by the metrics library, whatever stands in a tag's name.
"""

from collections.abc import Iterable, Iterator
from math import isfinite
from typing import Final

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from gateway.serve.outlet import Feed
from gateway.site.installed import Site
from gateway.tags import DeviceReport

_DEVICE: Final = ("device", "link")


class FeedCollector(Collector):
    """Everything that `/metrics` shows, read from the Feed at each scrape."""

    def __init__(self, site: Site, feed: Feed) -> None:
        self._site = site
        self._feed = feed

    def collect(self) -> Iterable[Metric]:
        yield from self._tags()
        yield from self._machines()
        report = self._feed.report
        if report is not None:
            yield from _devices(report.devices)
            for name, text, value in (
                ("rotor_steps", "Steps of all chains since start", report.steps),
                (
                    "rotor_late_steps",
                    "Steps that began later than a tenth of their scan period",
                    report.late_steps,
                ),
                ("rotor_archive_frames", "Frames written since start", report.archive_frames),
            ):
                yield CounterMetricFamily(name, text, value=value)
            yield GaugeMetricFamily(
                "rotor_archive_bytes", "Size of the archive", value=report.archive_bytes
            )
            yield GaugeMetricFamily(
                "rotor_field_report_timestamp_seconds",
                "When the field side last reported, UTC",
                value=report.time_ns / 1e9,
            )

    def describe(self) -> Iterable[Metric]:
        # Asked once when it is registered: nothing is to be read then.
        return ()

    def _tags(self) -> Iterator[Metric]:
        value = GaugeMetricFamily(
            "rotor_tag_value",
            "Value of a tag that is not bad, in its unit; a two-state tag is 0 or 1",
            labels=("tag", "machine", "unit"),
        )
        status = GaugeMetricFamily(
            "rotor_tag_status",
            "OPC UA StatusCode of a tag: from 2147483648 bad, from 1073741824 uncertain, else good",
            labels=("tag", "machine"),
        )
        age = GaugeMetricFamily(
            "rotor_tag_age_seconds",
            "Seconds since the measurement; absent before the first",
            labels=("tag", "machine"),
        )
        for tag in self._site.tags:
            sample = self._feed.sample(tag.tag)
            where = [tag.tag, tag.machine]
            status.add_metric(where, int(sample.status))
            if sample.value is not None:
                unit = "" if tag.unit is None else tag.unit.name
                value.add_metric([*where, unit], float(sample.value))
            age_s = self._feed.age_s(tag.tag)
            if isfinite(age_s):
                age.add_metric(where, age_s)
        yield from (value, status, age)

    def _machines(self) -> Iterator[Metric]:
        alive = GaugeMetricFamily(
            "rotor_machine_alive", "1 while frames of the machine arrive", labels=("machine",)
        )
        active = GaugeMetricFamily(
            "rotor_alarm_active", "1 while the alarm is on", labels=("alarm", "machine")
        )
        waiting = GaugeMetricFamily(
            "rotor_alarm_unacknowledged",
            "1 while the alarm waits to be acknowledged",
            labels=("alarm", "machine"),
        )
        judged = GaugeMetricFamily(
            "rotor_alarm_judged",
            "0 while the alarm's condition is unknown and its state stands still",
            labels=("alarm", "machine"),
        )
        for machine in self._site.file.machines:
            alive.add_metric([machine.name], self._feed.alive(machine.name))
            for record in self._feed.alarms(machine.name):
                where = [record.alarm, machine.name]
                active.add_metric(where, record.active)
                waiting.add_metric(where, not record.acknowledged)
                judged.add_metric(where, record.judged)
        yield from (alive, active, waiting, judged)
        yield CounterMetricFamily(
            "rotor_frames_received", "Frames received, of all machines", value=self._feed.frames
        )


def _devices(devices: Iterable[DeviceReport]) -> Iterator[Metric]:
    reachable = GaugeMetricFamily(
        "rotor_device_reachable", "1 when the last poll was answered", labels=_DEVICE
    )
    lateness = GaugeMetricFamily(
        "rotor_device_lateness_p99_seconds",
        "How late polls begin, 99th percentile of the last few hundred",
        labels=_DEVICE,
    )
    polls = CounterMetricFamily("rotor_device_polls", "Requests sent", labels=_DEVICE)
    failed = CounterMetricFamily(
        "rotor_device_polls_failed", "Polls without a usable answer", labels=_DEVICE
    )
    late = CounterMetricFamily(
        "rotor_device_polls_late",
        "Polls that began later than a tenth of their period",
        labels=_DEVICE,
    )
    skipped = CounterMetricFamily("rotor_device_polls_skipped", "Polls left out", labels=_DEVICE)
    for device in devices:
        where = [device.device, device.link]
        reachable.add_metric(where, device.reachable)
        lateness.add_metric(where, device.lateness_p99_s)
        polls.add_metric(where, device.polls)
        failed.add_metric(where, device.failed)
        late.add_metric(where, device.late)
        skipped.add_metric(where, device.skipped)
    yield from (reachable, lateness, polls, failed, late, skipped)


def feed_registry(site: Site, feed: Feed) -> CollectorRegistry:
    """A registry of its own with the one collector."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(FeedCollector(site, feed))
    return registry
