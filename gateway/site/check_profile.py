"""What one entry of a device profile must know of another. Pure: a model in, all faults out."""

from collections.abc import Iterator

from gateway.site.explain import did_you_mean
from gateway.site.found import Found
from gateway.site.profile import DeviceProfile
from gateway.site.yaml_marks import Path


def check_profile(profile: DeviceProfile, file_name: str) -> list[Found]:
    """All faults within one device profile; `file_name` without its ending."""
    return list(_profile(profile, file_name))


def _profile(profile: DeviceProfile, file_name: str) -> Iterator[Found]:
    if profile.profile != file_name:
        text = f"the file is {file_name}.yaml, so this must be {file_name!r}"
        yield Found(("profile",), text)
    seen: set[str] = set()
    for i, point in enumerate(profile.points):
        path: Path = ("points", i)
        if point.name in seen:
            yield Found((*path, "name"), f"the point {point.name!r} is there already")
        seen.add(point.name)
        if point.poll not in profile.poll and "poll" in point.model_fields_set:
            text = f"there is no poll class {point.poll!r}{did_you_mean(point.poll, profile.poll)}"
            yield Found((*path, "poll"), text)
        if (point.function in (1, 2)) != (point.type == "bool"):
            text = (
                f"functions 1 and 2 read 'bool', functions 3 and 4 read registers: function "
                f"{point.function} gives no {point.type}"
            )
            yield Found((*path, "type"), text)
        if point.bit is not None and point.type != "uint16":
            yield Found((*path, "bit"), f"a bit is taken from a uint16, not from a {point.type}")
        if not profile.address_base <= point.address <= 65536 - point.width + profile.address_base:
            last = 65536 - point.width + profile.address_base
            text = (
                f"addresses go from {profile.address_base} (address_base) to {last} here, "
                f"not {point.address}"
            )
            yield Found((*path, "address"), text)
        for span in profile.unreadable:
            last = point.address + point.width - 1
            if (
                span.function == point.function
                and span.first <= last
                and point.address <= span.last
            ):
                text = (
                    f"{point.address} lies in the unreadable run {span.first} to {span.last} "
                    f"of function {span.function}"
                )
                yield Found((*path, "address"), text)
    by_default = [p for p in profile.points if "poll" not in p.model_fields_set]
    if by_default and by_default[0].poll not in profile.poll:
        yield Found(("poll",), "the class 'normal' is missing: points without a 'poll' use it")
    widest = max(profile.points, key=lambda p: p.width)
    if widest.width > profile.registers_per_request:
        text = f"must be at least {widest.width}: so many registers has the point {widest.name!r}"
        yield Found(("registers_per_request",), text)
    for i, span in enumerate(profile.unreadable):
        if span.last < span.first:
            text = f"the run ends at {span.last}, below its 'first' ({span.first})"
            yield Found(("unreadable", i, "last"), text)
    if profile.heartbeat:
        counter = profile.point(profile.heartbeat.point)
        if counter is None:
            text = f"there is no point {profile.heartbeat.point!r}"
            hint = did_you_mean(profile.heartbeat.point, seen)
            yield Found(("heartbeat", "point"), f"{text}{hint}")
        elif profile.heartbeat.stopped_after < 2 * profile.poll.get(counter.poll, 0.0):
            period_s = profile.poll[counter.poll]
            text = f"{counter.name} is read every {period_s:g} s; allow at least {2 * period_s:g} s"
            yield Found(("heartbeat", "stopped_after"), text)
    for i, quality in enumerate(profile.quality):
        for key, name in (("point", quality.point), *(("of", n) for n in quality.of)):
            if name not in seen:
                text = f"there is no point {name!r}{did_you_mean(name, seen)}"
                yield Found(("quality", i, key), text)
