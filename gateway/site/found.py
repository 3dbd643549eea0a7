"""What every check hands back: one fault or warning at a path of a file."""

from dataclasses import dataclass

from gateway.site.yaml_marks import Path


@dataclass(frozen=True, slots=True)
class Found:
    """A fault or a warning at a path of the file."""

    path: Path
    text: str
    warning: bool = False
