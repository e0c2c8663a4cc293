"""Moments -> words: on a clock, and since a start."""

from datetime import UTC, datetime, tzinfo

from sidetap.quantity import CALENDAR_FROM_NS, NS_PER_S

_DAY_S = 86_400
# From then on times are taken for UTC, as recorders write it; smaller ones count from somewhere unknown.


def elapsed(seconds: float) -> str:
    """Return a time since the start, to the nearest second.

    >>> elapsed(3671.4)
    '1:01:11'
    """
    whole = round(seconds)
    days, rest = divmod(whole, _DAY_S)
    words = f"{rest // 3600}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days} d {words}" if days else words


def clock(t_ns: int, zone: tzinfo | None = None) -> str:
    """Return a time of the recording's clock: in zone (None: UTC) where it is a time of day, else its seconds."""
    moment = _moment(t_ns, zone)
    return f"{t_ns / NS_PER_S:.3f} s on the recording's clock" if moment is None else f"{moment:%Y-%m-%d %H:%M:%S %Z}"


def span(from_ns: int, to_ns: int, zone: tzinfo | None = None) -> str:
    """Return from when to when, the day only once.

    >>> span(1_773_242_400_512_000_000, 1_773_242_489_504_000_000)
    '2026-03-11 15:20:00 to 15:21:29 UTC'
    """
    first, last = _moment(from_ns, zone), _moment(to_ns, zone)
    if first is None or last is None:
        return f"{from_ns / NS_PER_S:.3f} to {to_ns / NS_PER_S:.3f} s on the recording's clock"
    if (first.date(), first.tzname()) == (last.date(), last.tzname()):
        return f"{first:%Y-%m-%d %H:%M:%S} to {last:%H:%M:%S %Z}"
    return f"{clock(from_ns, zone)} to {clock(to_ns, zone)}"


def _moment(t_ns: int, zone: tzinfo | None) -> datetime | None:
    if not CALENDAR_FROM_NS <= t_ns < 9_000_000_000 * NS_PER_S:
        return None
    return datetime.fromtimestamp(t_ns // NS_PER_S, UTC if zone is None else zone)


def lasting(hours: float) -> str:
    """Return a rough duration.

    >>> lasting(0.02), lasting(0.5), lasting(5.2), lasting(300)
    ('1 min', '30 min', '5 h', '12 days')
    """
    if hours < 1.5:
        return f"{max(round(hours * 60), 1)} min"
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
