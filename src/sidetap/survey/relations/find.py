"""All relations of a line: device by device, then what falls while something draws.

Within one device every two values may be held against each other; across devices only draws against falls. A line of
60 devices with 125 registers has 28 million pairs: among so many, something always fits.
"""

from collections.abc import Sequence

from sidetap.survey.events import YardEvent
from sidetap.survey.relations.meter import meter
from sidetap.survey.relations.relation import Relation
from sidetap.survey.relations.series import sheets
from sidetap.survey.values import Device


def relations(devices: Sequence[Device], yard_events: Sequence[YardEvent] = ()) -> tuple[Relation, ...]:
    """Return the relations that the values of devices show; yard_events: what people noted."""
    found: list[Relation] = []
    for device in devices:
        for sheet in sheets(device):
            found += meter(sheet)
    return tuple(found)
