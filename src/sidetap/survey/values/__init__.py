"""What the registers mean, told from how they change alone: where each value lies, in which encoding, how surely.

Blocks of words in, a `Device` for each device out: every way to read its registers with a probability, and the
values that are told. Never guesses: what the record can't tell apart is an alternative.
"""

from sidetap.survey.values.identify import (
    SETTLED,
    Alternative,
    Candidate,
    Device,
    Kind,
    Status,
    Value,
    read_devices,
    valid_below,
)

__all__ = [
    "SETTLED",
    "Alternative",
    "Candidate",
    "Device",
    "Kind",
    "Status",
    "Value",
    "read_devices",
    "valid_below",
]
