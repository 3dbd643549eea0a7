"""Site file and device profiles from disk to a checked Site, or all their faults at once.

An entry with a fault of its own is left out while the entries are checked against each other, and
what refers to it is not reported again; so one run shows everything that one run can know.
"""

import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from gateway.site import check, explain, yaml_marks
from gateway.site.check_profile import check_profile
from gateway.site.installed import Site
from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile

_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,31}")
LISTS: Final = ("machines", "links", "devices", "signals", "alarms")
# Which list's entries name an entry of which other list, and by which key.
REFERENCES: Final = (
    ("devices", "link", "links", "link"),
    ("signals", "machine", "machines", "machine"),
    ("signals", "point", "devices", "device"),
    ("alarms", "machine", "machines", "machine"),
    ("alarms", "tag", "signals", "tag"),
)


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
        self.path = path
        self.name = str(path)
        self.raw = b""
        self.faults: list[Fault] = []
        self.data: Any = None
        self.positions = yaml_marks.Positions()
        try:
            self.raw = path.read_bytes()
            # As Path.read_text does it: a line may end as on any system.
            text = io.StringIO(self.raw.decode("utf-8"), newline=None).read()
            self.data, self.positions = yaml_marks.load(text)
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
        """Every fault that the model found; a misspelt key is not reported as missing too."""
        items = [(e, self.positions.known(e["loc"])) for e in error.errors(include_url=False)]
        misspelt = {
            (*known[:-1], explain.meant(e, model, known))
            for e, known in items
            if e["type"] == "extra_forbidden"
        }
        for item, known in items:
            kind = item["type"]
            if kind == "missing" and (*known, item["loc"][-1]) in misspelt:
                continue
            # Entries at fault are taken out before they are counted.
            if kind == "too_short" and any(k[: len(known)] == known != k for _, k in items):
                continue
            text = explain.text(item, model, known)
            if kind == "union_tag_invalid":
                key = str(item["ctx"]["discriminator"]).strip("'")
                known = self.positions.known((*known, key))
            place = self.positions.of_key if kind == "extra_forbidden" else self.positions.of
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
    profiles, profile_faults, profile_files = _profiles(document, path.parent / "profiles")
    if file is not None:
        for found in check.check(file, profiles, raw_names):
            head, *rest = found.path
            if rest and isinstance(rest[0], int) and head in origin:
                rest[0] = origin[str(head)][rest[0]]
            document.add((head, *rest), found.text, warning=found.warning)
    faults = sorted(document.faults, key=lambda f: (f.line, f.column)) + profile_faults
    if file is None or any(not f.warning for f in faults):
        raise SiteError(faults)
    read_from = (document, *sorted(profile_files, key=lambda d: d.path.name))
    site = Site(
        file,
        {name: p for name, p in profiles.items() if p is not None},
        _digest((d.path.name, d.raw) for d in read_from),
        tuple(d.path.absolute() for d in read_from),  # who runs it may go to another directory
    )
    return site, faults


def digest_of(files: Iterable[Path]) -> str:
    """What `Site.digest` would be if the site were read from these files now. Raises OSError."""
    return _digest((path.name, path.read_bytes()) for path in files)


def _digest(files: Iterable[tuple[str, bytes]]) -> str:
    """SHA-256, hexadecimal, over the digests of name and content of each file."""
    whole = sha256()
    for name, raw in files:
        whole.update(sha256(name.encode()).digest() + sha256(raw).digest())
    return whole.hexdigest()


def _site_file(
    document: _Document,
) -> tuple[SiteFile | None, dict[str, list[int]], dict[str, set[str] | None]]:
    """The file's model (without faulty entries), the entries' own numbers, all names written."""
    data = document.data
    at_fault: list[tuple[int | str, ...]] = []
    try:
        SiteFile.model_validate(data)
    except ValidationError as error:
        document.add_all(error, SiteFile)
        at_fault = [e["loc"] for e in error.errors(include_url=False)]
    if not isinstance(data, dict):
        return None, {}, {}
    faulty = {place[:2] for place in at_fault}
    kept = {key: data[key] for key in data if not any(key == place[0] for place in at_fault)}
    kept.setdefault("site", "faulty")
    origin: dict[str, list[int]] = {}
    for key in LISTS:
        entries = data.get(key)
        if isinstance(entries, tuple):
            origin[key] = [i for i in range(len(entries)) if (key, i) not in faulty]
            kept[key] = tuple(entries[i] for i in origin[key])
    names = _names(data, at_fault)
    told: set[tuple[int | str, ...]] = {(*place[:2], place[-1]) for place in at_fault}
    for kind, kept_entries in origin.items():
        for index in sorted(set(range(len(data[kind]))) - set(kept_entries)):
            _dangling(document, (kind, index), names, told)
    try:
        return SiteFile.model_validate(kept), origin, names
    except ValidationError:
        return None, origin, {}


def _dangling(
    document: _Document,
    place: tuple[str, int],
    names: dict[str, set[str] | None],
    told: set[tuple[int | str, ...]],
) -> None:
    """Report what a faulty entry refers to in vain; `check` sees the faultless ones only."""
    entry = document.data[place[0]][place[1]]
    for owner, key, wanted, noun in REFERENCES:
        name = entry.get(key) if isinstance(entry, dict) and owner == place[0] else None
        if not isinstance(name, str) or (*place, key) in told:
            continue
        if key == "point":
            name = name.split(".")[0]
        known = names[wanted]
        # None: a name there is at fault itself. No machine at all is one fault, not many.
        if known is None or name in known or (wanted == "machines" and not known):
            continue
        hint = explain.did_you_mean(name, known)
        document.add((*place, key), f"there is no {noun} {name!r}{hint}")


def _names(
    data: dict[str, Any], at_fault: list[tuple[int | str, ...]]
) -> dict[str, set[str] | None]:
    """All names written in each list; None where one of them cannot be known."""
    names: dict[str, set[str] | None] = {}
    for key in LISTS:
        entries = data.get(key, ())
        if not isinstance(entries, tuple):
            names[key] = None
            continue
        own = "tag" if key == "signals" else "name"
        given = [e.get(own) if isinstance(e, dict) else None for e in entries]
        written = {name for name in given if isinstance(name, str)}
        unfit = any(place[0] == key and place[-1] == own for place in at_fault)
        names[key] = None if unfit or None in given else written
    tags = names["signals"]
    machines = data.get("machines")
    for index, machine in enumerate(machines if isinstance(machines, tuple) else ()):
        injection = machine.get("pulse_injection") if isinstance(machine, dict) else None
        if injection is None and any(place[:2] == ("machines", index) for place in at_fault):
            names["signals"] = None  # what it computes may stand under a key that is misspelt
        for key in ("fault_resistance", "fault_location"):
            computed = injection.get(key) if isinstance(injection, dict) else None
            tag = computed.get("tag") if isinstance(computed, dict) else None
            if injection is not None and not isinstance(tag, str):
                names["signals"] = None
            elif tags is not None and isinstance(tag, str):
                tags.add(tag)
    return names


def _profiles(
    document: _Document, folder: Path
) -> tuple[dict[str, DeviceProfile | None], list[Fault], list[_Document]]:
    """Profiles by name (None: there is one, but it is faulty), the faults in them, the files."""
    profiles: dict[str, DeviceProfile | None] = {}
    files: list[_Document] = []
    faults: list[Fault] = []
    devices = document.data.get("devices", ()) if isinstance(document.data, dict) else ()
    for index, device in enumerate(devices if isinstance(devices, tuple) else ()):
        name = device.get("profile") if isinstance(device, dict) else None
        # A name that is none is a fault of the device; it must not lead out of the folder either.
        if not isinstance(name, str) or not _NAME.fullmatch(name) or name in profiles:
            continue
        path = folder / f"{name}.yaml"
        if not path.exists():
            hint = explain.did_you_mean(name, [p.stem for p in folder.glob("*.yaml")])
            document.add(("devices", index, "profile"), f"there is no {path}{hint}")
            profiles[name] = None
            continue
        found = _Document(path)
        files.append(found)
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
    return profiles, faults, files
