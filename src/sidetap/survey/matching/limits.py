"""Up to which level an answer is sure: where another encoding of the same words would begin to tell another value.

The first promise of a name in, a level in the reader's unit out. What the vessel can't reach is no limit.
"""

from sidetap.survey.matching.fields import Field
from sidetap.survey.matching.promises import Promise
from sidetap.survey.matching.scales import Form
from sidetap.survey.matching.weighing import Held, Weighed

_WORD, _SIGN, _DIGITS, _DIGIT = 65536.0, 32768.0, 10_000.0, 10.0
_LEAST = 0.001  # of the lead's own probability: less likely encodings draw no limit
_FULL = 1.1  # of a span: no share is told beyond


def named(lead: Held) -> Field:
    """Return the encoding to name among those that read alike all along.

    Where the level falls as the number rises, that of 32 bits if it may be one: a limit would lie at the low levels.
    """
    wide = [f for f in _alike(lead) if f.candidate.hypothesis.kind == "uint32"]
    return wide[0] if lead.scale < 0 and wide else lead.field


def _alike(lead: Held) -> list[Field]:
    return [f for f in lead.alike if f.prior >= _LEAST * lead.field.prior]


def valid_below(weighed: Weighed, promise: Promise) -> float | None:
    """Return the reading at which encodings that agree all along this record would part; None where none can.

    Where the level falls as the number rises, the answer is sure above that reading.
    """
    lead = promise.lead
    name = named(lead)
    limits = [limit for other in (lead.field, *_alike(lead)) if (limit := _limit(name, other)) is not None]
    if name is not lead.field:
        limits = [limit for limit in limits if limit < _SIGN]  # the wider one covers the narrower
    if not limits:
        return None
    lowest = min(limits)
    level = lead.scale * lowest + lead.offset
    if lead.law.form is Form.SPAN and lead.law.full is not None and lowest > lead.law.zero + _FULL * lead.law.full:
        return None
    return level if 0 < level <= weighed.case.reach else None


def _limit(one: Field, other: Field) -> float | None:
    """Return the decoded value at which two encodings of the same words part, where they agreed so far."""
    kinds = {f.candidate.hypothesis.kind for f in (one, other)}
    if "bcd16" in kinds:
        return _DIGIT
    if "mod10k32" in kinds:
        return _DIGITS
    if "int16" in kinds:
        return _SIGN if len(kinds) > 1 else None
    return _WORD if "uint16" in kinds and len(kinds) > 1 else None
