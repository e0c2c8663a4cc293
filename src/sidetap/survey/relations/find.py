"""All relations of a line: device by device, then what falls while something draws.

Within one device every two values may be held against each other; across devices only draws against falls. A line of
60 devices with 125 registers has 28 million pairs: among so many, something always fits.
"""

from collections.abc import Sequence

from sidetap.survey.events import YardEvent
from sidetap.survey.relations.meter import meter
from sidetap.survey.relations.pairs import MOST_FITS, movers, pairs
from sidetap.survey.relations.relation import Relation
from sidetap.survey.relations.series import Sheet, sheets
from sidetap.survey.relations.telling import told
from sidetap.survey.values import Device


def relations(devices: Sequence[Device], yard_events: Sequence[YardEvent] = ()) -> tuple[Relation, ...]:
    """Return the relations that the values of devices show; yard_events: what people noted."""
    found: list[Relation] = []
    moving: list[tuple[Sheet, list[int]]] = []
    for device in devices:
        for sheet in sheets(device):
            of_a_meter = meter(sheet)
            found += of_a_meter
            taken = {(tied.table, tied.register) for relation in of_a_meter for tied in relation.registers}
            values = sheet.values
            moving.append((sheet, [n for n in movers(sheet) if (values[n].table, values[n].register) not in taken]))
    tried = sum(len(own) * (len(own) - 1) // 2 for _, own in moving)
    left = MOST_FITS
    for sheet, own in moving:
        fitting, fits = pairs(sheet, own, tried, left)
        left -= fits
        found += told(sheet, fitting, tried)
    return tuple(sorted(found, key=lambda relation: relation.devices))
