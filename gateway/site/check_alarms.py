"""What an alarm must know of tags, machines and the other alarms. Pure: models in, faults out."""

from collections.abc import Iterator, Mapping

from gateway.site.alarm import LimitAlarm, MalfunctionAlarm
from gateway.site.check_signal import unit_fits
from gateway.site.entries import Context, tag_fits
from gateway.site.found import Found
from gateway.site.units import Unit
from gateway.site.yaml_marks import Path


def alarm_faults(c: Context) -> Iterator[Found]:
    tags = c.units_of_tags()
    for i, alarm in enumerate(c.file.alarms):
        path: Path = ("alarms", i)
        if not c.known("machines", alarm.machine):
            text = f"there is no machine {alarm.machine!r}{c.like('machines', alarm.machine)}"
            yield Found((*path, "machine"), text)
            continue
        if isinstance(alarm, MalfunctionAlarm):
            for j, tag in enumerate(alarm.tags):
                yield from tag_fits(c, tags, (*path, "tags", j), tag, alarm.machine, None)
        elif isinstance(alarm, LimitAlarm):
            yield from tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, None)
            yield from _limit(c, tags, path, alarm)
        else:
            yield from tag_fits(c, tags, (*path, "tag"), alarm.tag, alarm.machine, "two-state tag")


def _limit(
    c: Context, tags: Mapping[str, tuple[str, Unit | None]], path: Path, alarm: LimitAlarm
) -> Iterator[Found]:
    if (alarm.below is None) == (alarm.above is None):
        both = ", not both" if alarm.above else ", for example 'below: 20 kohm'"
        text = f"a limit alarm needs either 'below' or 'above'{both}"
        yield Found((*path, "above") if alarm.above else path, text)
        return
    key, limit = ("below", alarm.below) if alarm.below else ("above", alarm.above)
    unit = tags.get(alarm.tag, ("", None))[1]
    if alarm.tag in tags and unit is None:
        text = f"{alarm.tag} is a two-state tag and has no limit; use 'kind: contact'"
        yield Found((*path, "tag"), text)
    elif unit and limit and alarm.tag not in c.misfits:
        yield from unit_fits((*path, key), limit, unit, alarm.tag)
