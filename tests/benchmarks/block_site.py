"""A site of devices that each give one block of registers, for measuring how fast they are read."""

from collections.abc import Sequence
from typing import Any

from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile


def block_site(links: Sequence[dict[str, Any]], registers: int, period: str) -> Site:
    """One device on each link, whose first holding registers are all read in each period."""
    machine = {
        "name": "g1",
        "field_winding": {"rated_field_voltage": "350 V"},
        "access": "telemetry",
        "detection": "DC injection",
    }
    devices = tuple(
        {"name": f"d{i}", "link": link["name"], "profile": "block"} for i, link in enumerate(links)
    )
    signals = tuple(
        {
            "kind": "register",
            "tag": f"{device['name']}.t{i}",
            "machine": "g1",
            "point": f"{device['name']}.p{i}",
            "unit": "V",
            "range": ("0 V", "100 V"),
        }
        for device in devices
        for i in range(registers)
    )
    file = SiteFile.model_validate(
        {
            "site": "Heron Falls",
            "machines": (machine,),
            "links": tuple(links),
            "devices": devices,
            "signals": signals,
        }
    )
    points = tuple({"name": f"p{i}", "function": 3, "address": i} for i in range(registers))
    profile = {"profile": "block", "poll": {"normal": period}, "points": points}
    return Site(file, {"block": DeviceProfile.model_validate(profile)})
