"""Site file and device profiles from disk to a checked Site, or all their faults at once.

An entry with a fault of its own is left out while the entries are checked against each other, and
what refers to it is not reported again; so one run shows everything that one run can know.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from gateway.site import check, explain, yaml_marks
from gateway.site.check_profile import check_profile
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile

LISTS = ("machines", "links", "devices", "signals", "alarms")


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file: where, what, and what would be right."""

    file: str
    line: int
    column: int
    where: str
    text: str
    warning: bool = False

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}"
        kind = "warning: " if self.warning else ""
        return (
            f"{place}: {kind}{self.where}: {self.text}" if self.where else f"{place}: {self.text}"
        )


class SiteError(Exception):
    """The site file cannot be used. `faults` has every reason, in the order of the files."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults


class _Document:
    """One parsed file; keeps the faults found in it."""

    def __init__(self, path: Path) -> None:
        self.name = str(path)
        self.faults: list[Fault] = []
        self.data: Any = None
        self.positions = yaml_marks.Positions()
        try:
            self.data, self.positions = yaml_marks.load(path.read_text(encoding="utf-8"))
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            self.faults.append(Fault(self.name, 1, 1, "", f"cannot be read: {reason}"))
        except UnicodeDecodeError as error:
            self.faults.append(
                Fault(
                    self.name, 1, 1, "", f"is not UTF-8 text (byte {error.start}): save it as such"
                )
            )
        except yaml_marks.YamlFault as fault:
            self.faults.append(Fault(self.name, *fault.position, "", fault.text))

    def add(self, path: yaml_marks.Path, text: str, *, warning: bool = False) -> None:
        known = self.positions.known(path)
        line, column = self.positions.of(known)
        self.faults.append(Fault(self.name, line, column, _dotted(known), text, warning))

    def add_all(self, error: ValidationError, model: type[BaseModel]) -> None:
        for item in error.errors(include_url=False):
            path = item["loc"]
            known = self.positions.known(path)
            place = (
                self.positions.of_key if item["type"] == "extra_forbidden" else self.positions.of
            )
            text = explain.text(item, model, known)
            self.faults.append(Fault(self.name, *place(known), _dotted(known), text))


def _dotted(path: yaml_marks.Path) -> str:
    text = ""
    for element in path:
        text += f"[{element}]" if isinstance(element, int) else f".{element}" if text else element
    return text


def read(path: Path) -> tuple[Site, list[Fault]]:
    """The checked Site and the warnings. Raises SiteError with all faults and warnings."""
    document = _Document(path)
    if document.faults:
        raise SiteError(document.faults)
    file, origin, raw_names = _site_file(document)
    profiles, profile_faults = _profiles(document, path.parent / "profiles")
    if file is not None:
        for found in check.check(file, profiles, raw_names):
            head, *rest = found.path
            if rest and isinstance(rest[0], int) and head in origin:
                rest[0] = origin[str(head)][rest[0]]
            document.add((head, *rest), found.text, warning=found.warning)
    faults = sorted(document.faults, key=lambda f: (f.line, f.column)) + profile_faults
    if file is None or any(not f.warning for f in faults):
        raise SiteError(faults)
    return Site(file, {name: p for name, p in profiles.items() if p is not None}), faults


def _site_file(
    document: _Document,
) -> tuple[SiteFile | None, dict[str, list[int]], dict[str, set[str]]]:
    """The file's model (without faulty entries), the entries' own numbers, all names written."""
    data = document.data
    faulty: set[tuple[str, int]] = set()
    try:
        SiteFile.model_validate(data)
    except ValidationError as error:
        document.add_all(error, SiteFile)
        faulty = {
            (str(e["loc"][0]), e["loc"][1])
            for e in error.errors(include_url=False)
            if len(e["loc"]) > 1 and isinstance(e["loc"][1], int)
        }
    if not isinstance(data, dict):
        return None, {}, {}
    origin, kept, names = {}, dict(data), {}
    for key in LISTS:
        entries = data.get(key, ())
        if not isinstance(entries, tuple):
            continue
        origin[key] = [i for i in range(len(entries)) if (key, i) not in faulty]
        kept[key] = tuple(entries[i] for i in origin[key])
        names[key] = {
            str(e.get("tag" if key == "signals" else "name"))
            for e in entries
            if isinstance(e, dict)
        }
    try:
        return SiteFile.model_validate(kept), origin, names
    except ValidationError:
        return None, origin, names


def _profiles(
    document: _Document, folder: Path
) -> tuple[dict[str, DeviceProfile | None], list[Fault]]:
    """Profiles by name (None: there is one, but it is faulty) and the faults in them."""
    profiles: dict[str, DeviceProfile | None] = {}
    faults: list[Fault] = []
    devices = document.data.get("devices", ()) if isinstance(document.data, dict) else ()
    for index, device in enumerate(devices if isinstance(devices, tuple) else ()):
        name = device.get("profile") if isinstance(device, dict) else None
        if not isinstance(name, str) or name in profiles:
            continue
        path = folder / f"{name}.yaml"
        if not path.is_file():
            there = ", ".join(sorted(p.stem for p in folder.glob("*.yaml"))) or "none"
            document.add(
                ("devices", index, "profile"), f"there is no {path}; profiles there: {there}"
            )
            profiles[name] = None
            continue
        found = _Document(path)
        profiles[name] = None
        if not found.faults:
            try:
                profile = DeviceProfile.model_validate(found.data)
                profiles[name] = profile
                for fault in check_profile(profile, name):
                    found.add(fault.path, fault.text, warning=fault.warning)
            except ValidationError as error:
                found.add_all(error, DeviceProfile)
        faults += found.faults
        if any(not f.warning for f in found.faults):
            profiles[name] = None
    return profiles, faults
