"""Moments -> words: on a clock, and since a start."""

from datetime import UTC, datetime, tzinfo

from sidetap.quantity import NS_PER_S

_DAY_S = 86_400
# From then on times are taken for UTC, as recorders write it; smaller ones count from somewhere unknown.
_SURELY_UTC_NS = 946_684_800 * NS_PER_S  # 2000-01-01


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
    if not _SURELY_UTC_NS <= t_ns < 9_000_000_000 * NS_PER_S:
        return f"{t_ns / NS_PER_S:.3f} s on the recording's clock"
    return datetime.fromtimestamp(t_ns // NS_PER_S, UTC if zone is None else zone).strftime("%Y-%m-%d %H:%M:%S %Z")


def lasting(hours: float) -> str:
    """Return a rough duration.

    >>> lasting(0.02), lasting(0.5), lasting(5.2), lasting(300)
    ('1 min', '30 min', '5 h', '12 days')
    """
    if hours < 1.5:
        return f"{max(round(hours * 60), 1)} min"
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
