"""A site file from disk: every fault once, at its place, with what would be right."""

import re
import tempfile
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.site.read import SiteError, read
from tests.site.plant import INPUTS, MONITOR, SITE

CONFIG = Path(__file__).parents[2] / "config"


def test_faultless_file_has_no_faults(plant):
    """A faultless file is read without a word."""
    site, faults = plant.read()
    assert ("Ternholt", []) == (site.name, faults)
    assert {"monitor", "inputs"} == set(site.profiles)


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.yaml")), ids=lambda path: path.name)
def test_delivered_files_have_no_faults(path):
    """What is delivered runs as it is."""
    assert [] == read(path)[1]


@pytest.mark.parametrize("path", sorted(CONFIG.glob("profiles/*.yaml")), ids=lambda p: p.stem)
def test_delivered_profiles_have_no_faults(plant, path):
    """Every delivered profile can be used as it is."""
    plant.texts[f"profiles/{path.stem}.yaml"] = path.read_text(encoding="utf-8")
    plant.edit(
        (
            "signals:\n",
            f"  - {{name: more, link: net, unit_id: 9, profile: {path.stem}}}\nsignals:\n",
        )
    )
    assert [] == plant.faults()


def test_every_fault_of_a_broken_file_at_once(plant):
    """A file with 20 faults is told all 20 of them, each once, in the order of its lines."""
    plant.edit(
        ("site: Ternholt", "site: Ternholt\ncolour: red"),
        ("access: retractable brush", "access: retractible brush"),
        ("{rated_field_voltage: 350 V,", "{rated_field_voltage: 350,"),
        ("source_resistance: 20 kohm", "source_resistance: 20 kV"),
        ("{tag: G1.R, unit: kohm, range: [0 kohm, 10 Mohm]}", "{tag: G1.R, unit: kohm}"),
        ("kind: modbus-tcp, host", "kind: modbus-tpc, host"),
        ("line: lines/row", "line: lines/row, parity: evn, baud: 9601"),
        ("name: ai, link: row, unit_id: 2", "name: ai, link: row, unit_id: two"),
        ("tag: G1.IP, machine: G1,", "tag: G1.IP, machin: G1,"),
        ("point: mon.in,", "point: mon.inn,"),
        ("tag: G1.UP, machine: G1", "tag: G1.UP, machine: G2"),
        ("point: mon.up", "point: mno.up"),
        ("mon.un, unit: V, range: [-800 V, 800 V]", "mon.un, unit: V, range: [-800 V]"),
        ("scaling: logarithmic", "scaling: logaritmic"),
        ("tag: G1.C, machine: G1, kind: contact", "tag: G1.C, machine: G1, kind: contakt"),
        ("below: 20 kohm", "below: 20 kohm, latching: yes"),
        ("kind: contact, tag: G1.C}", "kind: contact, tag: G1.IN}"),
        ("tags: [G1.R, G1.LOOP, G1.C]", "tags: G1.R"),
        ("modbus: {port: 1502}", "modbus: {port: 150200}"),
    )  # fmt: skip
    assert [
        "site.yaml:2:1: colour: unknown key; there are: alarms, archive, devices, links, machines, "
        "outputs, signals, site",
        "site.yaml:5:13: machines[0].access: 'retractible brush' is not one of retractable brush, "
        "optical link, telemetry, collector rings; did you mean 'retractable brush'?",
        "site.yaml:7:42: machines[0].field_winding.rated_field_voltage: a number with its unit is "
        "needed, such as '350 V'",
        "site.yaml:10:26: machines[0].pulse_injection.source_resistance: '20 kV' is a voltage; "
        "a resistance is needed here (ohm, kohm, Mohm)",
        "site.yaml:15:25: machines[0].pulse_injection.fault_resistance: 'range' is missing",
        "site.yaml:18:23: links[0].kind: 'modbus-tpc' is not one of modbus-tcp, modbus-rtu; "
        "did you mean 'modbus-tcp'?",
        "site.yaml:19:60: links[1].parity: 'evn' is not one of even, odd, none; did you mean "
        "'even'?",
        "site.yaml:19:71: links[1].baud: 9601 is not one of 1200, 2400, 4800, 9600, 19200, 38400, "
        "57600, 115200; did you mean '9600'?",
        "site.yaml:22:36: devices[1].unit_id: a whole number is needed, not 'two'",
        "site.yaml:24:18: signals[0].machin: unknown key; did you mean 'machine'?",
        "site.yaml:25:54: signals[1].point: profile 'monitor' has no point 'inn'; did you mean "
        "'in'?",
        "site.yaml:26:27: signals[2].machine: there is no machine 'G2'; there are: G1",
        "site.yaml:26:54: signals[2].point: there is no device 'mno'; did you mean 'mon'?",
        "site.yaml:27:78: signals[3].range: two values are needed: the lowest and the highest",
        "site.yaml:29:79: signals[4].scaling: 'logaritmic' is not one of linear, square root, "
        "logarithmic, table; did you mean 'logarithmic'?",
        "site.yaml:30:36: signals[5].kind: 'contakt' is not one of register, current loop, "
        "contact; did you mean 'contact'?",
        "site.yaml:32:83: alarms[0].latching: true or false is needed, not 'yes'",
        "site.yaml:33:54: alarms[1].tag: G1.IN is a current; a two-state tag is needed here",
        "site.yaml:34:60: alarms[2].tags: a list (lines that begin with '- ') is needed, not "
        "'G1.R'",
        "site.yaml:37:18: outputs.modbus.port: must be at most 65535, not 150200",
    ] == plant.faults()


ONE_FAULT = yaml.safe_load(Path(__file__).with_name("one_fault.yaml").read_text(encoding="utf-8"))
NAMES = {"site": "site.yaml", "profile": "profiles/monitor.yaml"}


@pytest.mark.parametrize(
    ("kind", "row"),
    [(kind, row) for kind in NAMES for row in ONE_FAULT[kind]],
    ids=lambda value: value["told"][:60] if isinstance(value, dict) else value,
)
def test_one_fault_is_told_once(plant, kind, row):
    """One thing wrong is one text, at its place, with what would be right there."""
    name = NAMES[kind]
    plant.edit((row["instead"], row["write"]), file=name)
    told = plant.faults()
    assert [row["told"]] == [re.sub(rf"^{re.escape(name)}:\d+:\d+: ", "", text) for text in told]
    line, column = map(int, told[0].removeprefix(f"{name}:").split(":")[:2])
    assert plant.texts[name].splitlines()[line - 1][column - 1 :].startswith(row["at"])


def test_faulty_profile_is_told_once_for_all_its_devices(plant):
    """Two devices of a faulty or missing profile make one fault of it."""
    second = "  - {name: mon2, link: net, unit_id: 9, profile: monitor}\nsignals:"
    plant.edit(("signals:", second))
    plant.edit(("type: float32, unit: uA}\n  - {name: in", "type: f32, unit: uA}\n  - {name: in"),
               file="profiles/monitor.yaml")  # fmt: skip
    assert 1 == len(plant.faults())
    del plant.texts["profiles/monitor.yaml"]
    (plant.folder / "profiles/monitor.yaml").unlink()
    assert ["site.yaml:20:37: devices[0].profile: there is no profiles/monitor.yaml; there are: "
            "inputs"] == plant.faults()  # fmt: skip


def test_references_to_a_faulty_entry_are_not_told_again(plant):
    """Whatever refers to an entry that has a fault of its own is left in peace."""
    plant.edit(("name: mon,", "name: 1mon,"), ("name: net, ", "nam: net, "))
    plant.edit(("tag: G1.LOOP, machine", "tag: G1/LOOP, machine"), ("- name: G1", "- name: G 1"))
    assert ["machines[0].name", "links[0].nam", "devices[0].name", "signals[4].tag"] == [
        text.split(": ")[1] for text in plant.faults()
    ]


def test_fault_at_the_top_hides_no_fault_between_entries(plant):
    """A wrong name, output or size does not keep the entries from being compared."""
    plant.edit(("site: Ternholt", "site: 5"), ("port: 4840", "port: 0"), ("B: 64", "B: 1"))
    plant.edit(("tag: G1.R, below", "tag: G1.RR, below"))
    assert ["site", "alarms[0].tag", "outputs.opcua.port", "archive.max_size_MiB"] == [
        text.split(": ")[1] for text in plant.faults()
    ]


def test_no_machine_is_one_fault(plant):
    """Without machines nothing that belongs to one is told as well."""
    text = plant.texts["site.yaml"]
    start, end = text.index("machines:"), text.index("links:")
    plant.texts["site.yaml"] = f"{text[:start]}machines: []\n{text[end:]}"
    plant.edit(("tag: G1.R, below", "tag: G1.LOOP, below"), ("tags: [G1.R,", "tags: ["))
    assert ["site.yaml:2:11: machines: at least one machine is needed"] == plant.faults()


def test_input_that_cannot_show_a_wire_break_is_told(plant):
    """A module whose count ends at 4 mA hides a broken wire; that is told, and does not stop."""
    plant.edit(("type: int16", "type: uint16"), file="profiles/inputs.yaml")
    assert [
        "site.yaml:28:39: warning: signals[4].input: this input shows 4 to 41.9 mA only, so a wire "
        "break (limit 3.6 mA) cannot be seen; set the module to a wider format"
    ] == plant.faults()


def test_field_voltage_tag_that_ends_below_the_rated_voltage_is_told(plant):
    """A tag that in service would be out of its range is told, and does not stop."""
    plant.edit(
        ("mon.up, unit: V, range: [-800 V, 800 V]", "mon.up, unit: V, range: [-0.3 kV, 0 V]")
    )
    assert [
        "site.yaml:6:64: warning: machines[0].field_winding.field_voltage: the range of G1.UP "
        "ends at 300 V; the winding is rated for 350 V, so in service the value is out of range"
    ] == plant.faults()


@pytest.mark.parametrize("span", ["[0 V, 350 V]", "[-350 V, 0 V]"])
def test_field_voltage_tag_may_end_at_the_rated_voltage(plant, span):
    """A range that just takes in the rated voltage, of either sign, is right."""
    plant.edit(("mon.up, unit: V, range: [-800 V, 800 V]", f"mon.up, unit: V, range: {span}"))
    assert [] == plant.faults()


def test_warnings_do_not_stop(plant):
    """What is doubtful but usable is told, and the site is read."""
    plant.edit(
        ("at_20_mA: 27648", "at_20_mA: 32767"), ("{port: 1502}", "{port: 1502, host: 0.0.0.0}")
    )
    site, faults = plant.read()
    assert "Ternholt" == site.name
    assert [True, True] == [fault.warning for fault in faults]
    # -32768 to 32767, 32767 at 20 mA: -12.0005 to 20 mA, below the 21 mA of NE 43
    assert [
        "site.yaml:28:39: warning: signals[4].input: this input shows -12 to 20 mA only, so a "
        "failure signal (limit 21 mA) cannot be seen; set the module to a wider format",
        "site.yaml:36:30: warning: outputs.modbus.host: serves every client that reaches 0.0.0.0, "
        "unencrypted; 127.0.0.1 is safe",
    ] == plant.faults()


def test_warnings_are_told_beside_faults(plant):
    """One run tells faults and warnings together."""
    plant.edit(("{port: 1502}", "{port: 1502, host: 0.0.0.0}"), ("below: 20 kohm", "below: 20 V"))
    with pytest.raises(SiteError) as caught:
        plant.read()
    assert [False, True] == [fault.warning for fault in caught.value.faults]


def one_text(path):
    with pytest.raises(SiteError) as caught:
        read(path)
    (fault,) = caught.value.faults
    return str(fault).replace(str(path), "FILE")


def test_no_file_at_all(tmp_path):
    """A file that cannot be read is told as such, without a Python word."""
    assert "FILE:1:1: cannot be read: no such file or directory" == one_text(tmp_path / "no.yaml")
    assert "FILE:1:1: cannot be read: is a directory" == one_text(tmp_path)
    long = tmp_path / ("x" * 300)
    assert "FILE:1:1: cannot be read: file name too long" == one_text(long)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "FILE:1:1: the file is empty"),
        (b"# only words\n", "FILE:1:1: the file is empty"),
        (b"site: F\xfcrth", "FILE:1:1: is not UTF-8 text (byte 7): save it as such"),
        (b"\xff\xfes\x00", "FILE:1:1: is not UTF-8 text (byte 0): save it as such"),
        (b"site: [", "FILE:1:8: a bracket is opened and never closed"),
        (b"- a list", "FILE:1:1: a block of 'key: value' lines is needed, not a list"),
        (b"5", "FILE:1:1: a block of 'key: value' lines is needed, not 5"),
        (b"site", "FILE:1:1: a block of 'key: value' lines is needed, not 'site'"),
        (b"null", "FILE:1:1: a block of 'key: value' lines is needed, not nothing"),
    ],
)
def test_file_that_is_no_site(tmp_path, data, told):
    """Anything but a block of keys is told in one text."""
    path = tmp_path / "site.yaml"
    path.write_bytes(data)
    assert told == one_text(path)


def test_profile_that_cannot_be_read(plant):
    """A profile that is empty, a folder or no text is told at its own name."""
    profile = plant.folder / "profiles/monitor.yaml"
    plant.texts["profiles/monitor.yaml"] = ""
    assert ["profiles/monitor.yaml:1:1: the file is empty"] == plant.faults()
    del plant.texts["profiles/monitor.yaml"]
    profile.write_bytes(b"\xff")
    told = "profiles/monitor.yaml:1:1: is not UTF-8 text (byte 0): save it as such"
    assert [told] == plant.faults()
    profile.unlink()
    profile.mkdir()
    assert ["profiles/monitor.yaml:1:1: cannot be read: is a directory"] == plant.faults()


def test_faulty_entry_also_tells_what_it_refers_to_in_vain(plant):
    """A wrong unit does not hide a machine, a device or a link that is not there."""
    plant.edit(
        ("mon.un, unit: V, range: [-800 V, 800 V]", "mno.un, unit: Vlt, range: [-800 V, 800 V]"),
        ("name: ai, link: row, unit_id: 2", "name: ai, link: raw, unit_id: two"),
    )
    found = "\n".join(plant.faults())
    assert "devices[1].link: there is no link 'raw'" in found
    assert "signals[3].point: there is no device 'mno'" in found


def site_or_error(text, monitor=MONITOR):
    """Reads a text as a site file; anything but a Site or a SiteError is a failure."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "site.yaml").write_text(text, encoding="utf-8")
        (Path(folder) / "profiles").mkdir()
        (Path(folder) / "profiles/monitor.yaml").write_text(monitor, encoding="utf-8")
        (Path(folder) / "profiles/inputs.yaml").write_text(INPUTS, encoding="utf-8")
        try:
            found = read(Path(folder) / "site.yaml")[1]
        except SiteError as error:
            found = error.faults
            assert any(not fault.warning for fault in found)
        for fault in found:
            assert str(fault).encode()
            assert fault.line >= 1 and fault.column >= 1
            assert not re.search(r"Traceback|pydantic|Input should|\btuple\b|\bdict\b", fault.text)
        return [str(fault) for fault in found]


ODD = (
    *(
        "",
        "~",
        "5",
        "-1",
        "1e400",
        "0x10",
        "true",
        "[]",
        "{}",
        "[[]]",
        "{a: 1}",
        "'",
        "'x'",
        "a: b",
    ),
    *("G1", "G1.R", "mon.ip", "../x", "register", "5 s", "-3 kohm", "1e999999999 V", "nan"),
    *("*a", "&a 5", "!!int x", "\t", "'\\0'", '"\\0"', '"\\ud800"', "\u00e9", "x" * 300, "9" * 400),
)


@settings(max_examples=150)
@given(st.text(max_size=60) | st.text("abn:- \n[]{}#&*!'\"\t,?|>%5.", max_size=60))
def test_any_text_is_a_site_or_told(text):
    """Whatever a file holds, the answer is a Site or a list of faults."""
    site_or_error(text)


@settings(max_examples=250)
@given(st.data())
def test_any_value_in_a_site_file_is_a_site_or_told(data):
    """Whatever stands in one place of a site file or of a profile, the answer is in plain words."""
    text = data.draw(st.sampled_from([SITE, MONITOR]))
    words = [m.span() for m in re.finditer(r"[^\s:,{}\[\]]+(?: [A-Za-z%]+)?", text)]
    start, end = data.draw(st.sampled_from(words))
    odd = text[:start] + data.draw(st.sampled_from(ODD)) + text[end:]
    site_or_error(*((odd,) if text is SITE else (SITE, odd)))


keys = st.sampled_from(
    "site machines links devices signals alarms outputs archive name tag kind point profile".split()
)
values = st.recursive(
    st.sampled_from(
        ["G1", "register", "contact", "limit", "mon.ip", "5 s", "kohm", 5, 1.5, None, True]
    )
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(keys | st.text(max_size=4), inner, max_size=5)
    ),
    max_leaves=25,
)


@settings(max_examples=200)
@given(st.dictionaries(keys, values, max_size=8) | values)
def test_any_document_is_a_site_or_told(document):
    """Whatever is built of the words of a site file, the answer is a Site or a list of faults."""
    site_or_error(yaml.safe_dump(document, allow_unicode=True, sort_keys=False))


@settings(max_examples=100)
@given(st.data())
def test_any_entry_may_be_missing(data):
    """With any line of a site file left out, every fault is told once, at one place."""
    lines = SITE.splitlines(keepends=True)
    number = data.draw(st.integers(0, len(lines) - 1))
    found = site_or_error("".join(lines[:number] + lines[number + 1 :]))
    assert sorted(set(found)) == sorted(found)
