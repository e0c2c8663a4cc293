"""A time in seconds as a row of a file tells it -> nanoseconds. Never a float: a clock of 1970 has 19 digits."""

import re
from decimal import Decimal, InvalidOperation

from sidetap.quantity import NS_PER_S

_PLAIN = re.compile(r"([+-]?)([0-9]{1,10})(?:\.([0-9]{0,9}))?")  # as nearly all are written; quick to read
_LONGEST = 40  # characters


def parse_time_ns(text: str) -> int:
    """Return nanoseconds of seconds as text, such as 0.016 or -1.5e3; ValueError for what is no time."""
    plain = _PLAIN.fullmatch(text)
    if plain is not None:
        sign, whole, rest = plain.groups(default="")
        t_ns = int(whole) * NS_PER_S + int(rest.ljust(9, "0"))
        return -t_ns if sign == "-" else t_ns
    try:
        seconds = Decimal(text) if len(text) <= _LONGEST else Decimal("NaN")
    except InvalidOperation:
        seconds = Decimal("NaN")
    if not seconds.is_finite() or seconds.adjusted() > 10:
        raise ValueError(f"{text[:40]!r} is no time in seconds")
    return int((seconds * NS_PER_S).to_integral_value())
