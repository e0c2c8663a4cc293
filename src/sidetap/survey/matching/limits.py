"""Up to which level an answer is sure: where another encoding of the same words would begin to tell another value.

The first promise of a name in, a level in the reader's unit out. What the vessel can't reach is no limit.
"""

from sidetap.survey.matching.promises import Promise, beside
from sidetap.survey.matching.scales import Form
from sidetap.survey.matching.weighing import Held, Weighed

_WORD, _SIGN, _DIGITS, _DIGIT = 65536.0, 32768.0, 10_000.0, 10.0
_LEAST = 0.001  # of the lead's own probability: less likely encodings draw no limit
_FULL = 1.1  # of a span: no share is told beyond


def valid_below(weighed: Weighed, promise: Promise) -> float | None:
    """Return the reading at which encodings that agree all along this record would part; None where none can.

    Where the level falls as the decoded value rises (a distance from above), the answer is sure above that reading.
    """
    lead = promise.lead
    limits = [
        limit
        for other in weighed.held
        if other.field.block is lead.field.block
        and other.probability >= _LEAST * lead.probability
        and (limit := _limit(lead, other)) is not None
    ]
    if not limits:
        return None
    lowest = min(limits)
    level = lead.scale * lowest + lead.offset
    if lead.law.form is Form.SPAN and lead.law.full is not None and lowest > lead.law.zero + _FULL * lead.law.full:
        return None
    return level if 0 < level <= weighed.case.reach else None


def _limit(lead: Held, other: Held) -> float | None:
    """Return the decoded value at which two encodings of the same words part, where they agreed so far."""
    one, two = lead.field.candidate, other.field.candidate
    if lead.field.is_float or other.field.is_float or lead.field.encoding == other.field.encoding:
        return None
    if not set(one.registers) & set(two.registers):
        return None
    mine, its = beside(lead, other)
    if not len(mine) or (mine != its).any():
        return None
    kinds = {one.hypothesis.kind, two.hypothesis.kind}
    if "bcd16" in kinds:
        return _DIGIT
    if "mod10k32" in kinds:
        return _DIGITS
    if kinds & {"int16"} and kinds != {"int16"}:
        return _SIGN
    return _WORD if kinds & {"uint16"} else None
