"""The site as it is installed: tags in order, ranges, what must be read and how often."""

import pytest


def test_tags_in_order_with_computed_ones_last(plant):
    """All tags of a machine are listed as in the file, then what is computed of them."""
    site, _ = plant.read()
    names = ["G1.IP", "G1.IN", "G1.UP", "G1.UN", "G1.LOOP", "G1.C", "G1.R", "G1.ALPHA"]
    assert names == [t.tag for t in site.tags] == [t.tag for t in site.tags_of("G1")]
    assert [] == list(site.tags_of("G2"))


def test_range_is_in_the_unit_of_the_tag(plant):
    """The range of a tag is in its unit, whatever unit the file wrote."""
    tags = {t.tag: t for t in plant.read()[0].tags}
    assert (-9000.0, 9000.0) == (tags["G1.IP"].low, tags["G1.IP"].high)
    assert (0.0, 10000.0) == (tags["G1.R"].low, tags["G1.R"].high)
    assert (None, 0.0, 1.0) == (tags["G1.C"].unit, tags["G1.C"].low, tags["G1.C"].high)


def test_range_of_a_reverse_acting_loop_goes_upwards(plant):
    """Who shows a tag gets its range from low to high (Range of OPC 10000-8, 5.6.2)."""
    plant.edit(("[1 kohm, 10 Mohm]", "[10 Mohm, 1 kohm]"))
    tags = {t.tag: t for t in plant.read()[0].tags}
    assert (1.0, 10000.0) == (tags["G1.LOOP"].low, tags["G1.LOOP"].high)


def test_computed_tags_are_as_old_as_their_inputs(plant):
    """What is computed goes stale with what it is computed from."""
    plant.edit(("point: mon.ip,", "point: mon.ip, stale_after: 20 s,"))
    tags = {t.tag: t for t in plant.read()[0].tags}
    assert 20.0 == tags["G1.R"].stale_after_s == tags["G1.ALPHA"].stale_after_s


def test_points_worth_reading(plant):
    """Of a device only those points are read that a signal uses, or that judge one."""
    plant.edit(("points:", "points:\n  - {name: spare, function: 4, address: 20}"),
               file="profiles/monitor.yaml")  # fmt: skip
    site, _ = plant.read()
    points = [p.name for p in site.points_read(site.device("mon"))]
    assert ["status", "beat", "ip", "in", "up", "un"] == points


def test_quality_of_unused_points_is_not_read(plant):
    """A bit that speaks only of points that nobody uses is not read."""
    plant.edit(("bit: 1,", "bit: 1, of: [beat],"), file="profiles/monitor.yaml")
    site, _ = plant.read()
    assert "status" not in [p.name for p in site.points_read(site.device("mon"))]


@pytest.mark.parametrize(("more", "period_s"), [("", 1.0), (", poll: {normal: 250 ms}", 0.25)])
def test_device_may_have_its_own_period(plant, more, period_s):
    """A device is polled as its profile says, unless it says otherwise itself."""
    plant.edit(("profile: monitor}", f"profile: monitor{more}}}"))
    site, _ = plant.read()
    device = site.device("mon")
    assert period_s == site.poll_period_s(device, site.profile_of(device).point("ip"))
