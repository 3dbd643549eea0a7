"""A document as one HTML file: styles and drawings inside, nothing fetched, nothing that runs.

Every text is escaped where it enters the page. Refuses scripts and addresses by its own policy.
"""

from pathlib import Path
from typing import Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from gateway.report.document import Document, Spot

_TEMPLATE: Final = "page.html.j2"


def render(document: Document) -> str:
    """The page. The same document gives the same text."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["kind"] = lambda block: type(block).__name__
    environment.filters["path"] = _path
    return environment.get_template(_TEMPLATE).render(document=document)


def _path(spots: tuple[Spot, ...]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in spots)
