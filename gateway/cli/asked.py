"""What people ask of an archive or a running gateway: an alarm, a time, a machine's newest word.

Refuses what is not there with one text that names what is.
"""

from pathlib import Path

from gateway.archive.time_spec import moment_ns
from gateway.cli.newest import newest_frames, no_word, not_running
from gateway.cli.options import fail
from gateway.service.clock import now
from gateway.site.alarm import Alarm
from gateway.site.explain import did_you_mean
from gateway.site.installed import Site
from gateway.tags import Frame


def alarm_of(site: Site, site_path: Path, name: str) -> Alarm:
    """The alarm of this name in the site file."""
    found = next((a for a in site.file.alarms if a.name == name), None)
    if found is None:
        names = [a.name for a in site.file.alarms]
        fail(f"there is no alarm {name!r} in {site_path}{did_you_mean(name, names)}", 2)
    return found


def window_ns(since: str, until: str | None) -> tuple[int, int]:
    """The time from `since` until `until`, or now, UTC."""
    moment = now().utc_ns
    try:
        since_ns = moment_ns(since, moment)
        until_ns = moment_ns(until, moment) if until else moment
    except ValueError as error:
        fail(str(error), 2)
    if since_ns >= until_ns:
        fail(f"--since {since!r} is not before --until {until or 'now'!r}; exchange them", 2)
    return since_ns, until_ns


def duration_ns(option: str, text: str) -> int:
    """A duration such as '2 h', as an option gives it."""
    try:
        found_ns = -moment_ns(text, 0)
    except ValueError:
        found_ns = 0
    if not 0 < found_ns < 2**61:
        fail(f"{option} {text!r}: a duration is needed, such as '30 min', '2 h' or '7 d'", 2)
    return found_ns


def running(wall: Path) -> Path:
    """The wall, if a gateway has made it."""
    if not wall.exists():
        fail(not_running(wall))
    return wall


def newest_of(site: Site, wall: Path, machine: str) -> Frame:
    """The newest Frame of one machine."""
    frames = newest_frames(site, running(wall))
    if machine not in frames:
        fail(no_word([machine], wall))
    return frames[machine]
