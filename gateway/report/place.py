"""Where in the winding the fault of a dossier lies, drawn and in words.

Refuses to draw a place where none is computed, and to name a second fault that the figures do not
tell from a first one that became worse.
"""

from gateway.report import winding, words
from gateway.report.case import Case, located, second_fault_between
from gateway.report.document import Block, Paragraph, Picture
from gateway.report.numbers import with_uncertainty
from gateway.rotor.second_fault import Fault
from gateway.tags import Frame


def told(case: Case) -> tuple[Block, ...]:
    """The winding with the place when the alarm came, and with another fault where one is told."""
    first = _seen(case)
    if first is None:
        text = f"For a machine with {case.machine.detection} no fault location is computed here; "
        return (Paragraph(f"{text}the winding is therefore not drawn."),)
    places, notes = [first], []
    pairs = ((case.before, case.frame, "second fault"), (case.frame, case.newest, "later fault"))
    for earlier, later, name in pairs:
        if earlier is None or later is None:
            continue
        fault = second_fault_between(case.site, earlier, later)
        if fault is not None:
            reach = 2 * fault.location_pu.u
            at = f"{_percent(fault.location_pu.value, reach)} of the winding (k = 2)"
            places.append(winding.Place(name, fault.location_pu.value, reach, at))
            notes.append(Paragraph(_another(case, fault, earlier, later, name)))
    caption = "Developed from the negative to the positive ring. Band: expanded uncertainty, k = 2."
    return (Picture(winding.draw(places), caption), *notes)


def _seen(case: Case) -> winding.Place | None:
    place = located(case.site, case.frame)
    if place is None:
        return None
    name, status = "when the alarm came", place.status.name
    if place.location_pu is None:
        return winding.Place(name, None, None, f"location not known ({status})")
    reach = None if place.u_pu is None else 2 * place.u_pu
    text = f"{_percent(place.location_pu, reach)} of the winding"
    text += " (k = 2)" if reach is not None else ", uncertainty not known"
    return winding.Place(name, place.location_pu, reach, f"{text}, {status}")


def _another(case: Case, fault: Fault, earlier: Frame, later: Frame, name: str) -> str:
    kohm = with_uncertainty(fault.resistance_ohm.value / 1e3, 2 * fault.resistance_ohm.u / 1e3)
    return (
        f"{name[0].upper()}{name[1:]}: if the fault seen at "
        f"{words.moment(earlier.at.utc_ns, case.zone)} is unchanged, another one of ({kohm}) kΩ "
        f"(k = 2) explains what is read at {words.moment(later.at.utc_ns, case.zone)}."
    )


def _percent(location_pu: float, reach_pu: float | None) -> str:
    number = with_uncertainty(100 * location_pu, None if reach_pu is None else 100 * reach_pu)
    return f"({number}) %" if "±" in number else f"{number} %"
