"""Health in plain words, a line each: for the text output, and where the report says the same."""

from sidetap.survey.health.exchanges import DeviceHealth
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.spread import Spread

FLAG_NAMES = {"p": "parity", "f": "framing", "b": "break"}


def duration(us: float | None) -> str:
    """Return a short duration in ms or s, with three digits or so.

    >>> duration(12_300), duration(1_000_400), duration(None)
    ('12.3 ms', '1.000 s', 'not told')
    """
    if us is None:
        return "not told"
    if abs(us) < 100_000:
        return f"{us / 1000:.1f} ms"
    return f"{us / 1000:.0f} ms" if abs(us) < 1_000_000 else f"{us / 1e6:.3f} s"


def spread_words(spread: Spread, late_us: int | None) -> str:
    """Return a spread's median and where nine of ten lie; what late delivery turned negative is under late_us."""
    if not spread.number:
        return "not told"
    middle, low, high = (
        f"under {duration(late_us)}" if us is not None and us < 0 else duration(us)
        for us in (spread.quantile_us(0.5), spread.quantile_us(0.05), spread.quantile_us(0.95))
    )
    return f"{middle} ({low} to {high})"


def line_words(health: LineHealth) -> list[str]:
    """Return what is to be said of the line as a whole."""
    told = []
    if health.load is not None:
        told.append(f"Busy {health.load:.1%} of the time")
    if health.exchanges.gaps.number:
        told.append(
            f"Gap from an exchange to the next request: {spread_words(health.exchanges.gaps, health.resolution_us)}"
        )
    if health.signal.flags is not None:
        rates = ", ".join(f"{name} {health.signal.rate(letter):.3%}" for letter, name in FLAG_NAMES.items())
        told.append(f"Flagged bytes: {rates}")
    if health.resolution_us is not None:
        told.append(
            f"Times are of delivery, up to about {duration(health.resolution_us)} late; in brackets: 5 to 95 %"
        )
    return told


def device_words(device: DeviceHealth, late_us: int | None) -> str:
    """Return what is to be said of a device's answers; late_us: how late the adapter delivers."""
    turnaround = spread_words(device.turnaround, late_us)
    return f"turnaround {turnaround}; {device.damaged_share:.2%} of {device.tries:,} tries damaged"
