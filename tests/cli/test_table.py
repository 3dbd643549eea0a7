"""What the demo's table shows of a machine."""

import time
from pathlib import Path

import pytest

from gateway.cli.table import row_of
from gateway.serve.outlet import lost_after_s
from gateway.site.read import read
from gateway.tags import Frame, Instant

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.parametrize("scan_s", [0.5, 5.0])
def test_news_is_missed_as_late_as_the_outlets_miss_it(tmp_path: Path, scan_s: float) -> None:
    """A machine that is scanned slowly is not called lost between two of its scans."""
    (tmp_path / "profiles").symlink_to(CONFIG / "profiles")
    text = (CONFIG / "demo.yaml").read_text(encoding="utf-8")
    (tmp_path / "site.yaml").write_text(text.replace("scan: 500 ms", f"scan: {scan_s} s"))
    site = read(tmp_path / "site.yaml")[0]
    machine = site.machine("U2")
    frame = Frame("U2", 1, Instant(1, 1), (), (), (), (), ())
    lost_s = lost_after_s(machine)
    fresh, old = (
        row_of(site, machine, (frame, time.monotonic() - age_s)).status
        for age_s in (0.9 * lost_s, 1.1 * lost_s)
    )
    assert ("-", "no news from the field side") == (fresh, old)
