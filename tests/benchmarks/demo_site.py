"""The demo's site as a plant would run it: a trend point an hour, not every five seconds."""

from pathlib import Path

from gateway.site.installed import Site
from gateway.site.read import read

_CONFIG = Path(__file__).parents[2] / "config"


def demo_site(directory: Path) -> Site:
    """The site, written to and read from this directory."""
    text = (_CONFIG / "demo.yaml").read_text(encoding="utf-8")
    assert "interval: 5 s" in text
    path = directory / "site.yaml"
    path.write_text(text.replace("interval: 5 s", "interval: 1 h"), encoding="utf-8")
    (directory / "profiles").symlink_to(_CONFIG / "profiles")
    return read(path)[0]
