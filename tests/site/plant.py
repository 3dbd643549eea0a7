"""A small faultless site on disk, which the tests then break."""

import re

from gateway.site.read import SiteError, read

SITE = """\
site: Ternholt
machines:
  - name: G1
    access: retractable brush
    detection: pulse injection
    field_winding: {rated_field_voltage: 350 V, field_voltage: G1.UP}
    pulse_injection:
      amplitude: 50 V
      source_resistance: 20 kohm
      current_positive: G1.IP
      current_negative: G1.IN
      field_voltage_positive: G1.UP
      field_voltage_negative: G1.UN
      fault_resistance: {tag: G1.R, unit: kohm, range: [0 kohm, 10 Mohm]}
      fault_location: {tag: G1.ALPHA, unit: "%", range: [0 %, 100 %]}
links:
  - {name: net, kind: modbus-tcp, host: 127.0.0.1}
  - {name: row, kind: modbus-rtu, line: lines/row}
devices:
  - {name: mon, link: net, profile: monitor}
  - {name: ai, link: row, unit_id: 2, profile: inputs}
signals:
  - {tag: G1.IP, machine: G1, kind: register, point: mon.ip, unit: uA, range: [-9 mA, 9 mA]}
  - {tag: G1.IN, machine: G1, kind: register, point: mon.in, unit: uA, range: [-9 mA, 9 mA]}
  - {tag: G1.UP, machine: G1, kind: register, point: mon.up, unit: V, range: [-800 V, 800 V]}
  - {tag: G1.UN, machine: G1, kind: register, point: mon.un, unit: V, range: [-800 V, 800 V]}
  - {tag: G1.LOOP, machine: G1, kind: current loop, point: ai.ch, unit: kohm,
     range: [1 kohm, 10 Mohm], input: {at_4_mA: 0, at_20_mA: 27648}, scaling: logarithmic}
  - {tag: G1.C, machine: G1, kind: contact, point: ai.di}
alarms:
  - {name: G1.LOW, machine: G1, kind: limit, tag: G1.R, below: 20 kohm}
  - {name: G1.SAYS, machine: G1, kind: contact, tag: G1.C}
  - {name: G1.BLIND, machine: G1, kind: malfunction, tags: [G1.R, G1.LOOP, G1.C]}
outputs:
  opcua: {port: 4840}
  modbus: {port: 1502}
archive: {max_size_MiB: 64}
"""

MONITOR = """\
profile: monitor
poll: {normal: 1 s, slow: 5 s}
unreadable:
  - {function: 4, first: 100, last: 110}
points:
  - {name: status, function: 4, address: 0}
  - {name: beat, function: 4, address: 1}
  - {name: ip, function: 4, address: 2, type: float32, unit: uA}
  - {name: in, function: 4, address: 4, type: float32, unit: uA}
  - {name: up, function: 4, address: 6, type: float32, unit: V}
  - {name: un, function: 4, address: 8, type: float32, unit: V}
quality:
  - {point: status, bit: 1, means: device failure}
heartbeat: {point: beat, stopped_after: 5 s}
"""

INPUTS = """\
profile: inputs
points:
  - {name: ch, function: 4, address: 0, type: int16}
  - {name: di, function: 2, address: 0, type: bool}
"""


class Plant:
    """The files of a site; `edit` replaces one text that stands there once."""

    def __init__(self, folder):
        self.path = folder / "site.yaml"
        self.texts = {"site.yaml": SITE, "profiles/monitor.yaml": MONITOR}
        self.texts["profiles/inputs.yaml"] = INPUTS
        self.folder = folder
        (folder / "profiles").mkdir()

    def edit(self, *pairs, file="site.yaml"):
        for old, new in pairs:
            assert self.texts[file].count(old) == 1, f"{old!r} must stand in {file} once"
            self.texts[file] = self.texts[file].replace(old, new)
        return self

    def write(self):
        for name, text in self.texts.items():
            (self.folder / name).write_text(text, encoding="utf-8")
        return self

    def read(self):
        self.write()
        return read(self.path)

    def faults(self):
        """Every fault and warning as text, without the folder."""
        try:
            found = self.read()[1]
        except SiteError as error:
            assert str(error) == "\n".join(map(str, error.faults))
            found = error.faults
        return [re.sub(re.escape(f"{self.folder}/"), "", str(f)) for f in found]
