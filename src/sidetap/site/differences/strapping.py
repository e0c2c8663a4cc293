"""Two strapping tables -> one line that says how many rows differ and by how much at most."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction

from sidetap.quantity import from_si
from sidetap.site.differences.shown import decimal
from sidetap.vessel import Strapping, StrappingRow

_DIGITS = 3  # of a volume between two rows


def summary(was: Strapping, now: Strapping, units: tuple[str, str]) -> str:
    """Return the differences of the rows in words. units: of level and volume, as a table's header names them."""
    old, new = ({row.level_m: row.volume_m3 for row in table.rows} for table in (was, now))
    both = old.keys() & new.keys()
    counts = [
        (sum(old[level] != new[level] for level in both), f"of {len(old)} rows differ"),
        (len(new.keys() - both), "new"),
        (len(old.keys() - both), "gone"),
    ]
    told = [f"{count} {words}" for number, (count, words) in enumerate(counts) if count or not number]
    worst = _worst(was.rows, now.rows, sorted(old.keys() | new.keys()))
    if worst is None:
        return f"{', '.join(told)}; the tables have no level in common"
    level, before, after = worst
    if before == after:
        return f"{', '.join(told)}; no volume differs where both have one"
    height = decimal(from_si(level, units[0]), _DIGITS)
    was_there, is_there, more = (_grouped(volume_m3, units[1]) for volume_m3 in (before, after, after - before))
    sign = "+" if after > before else ""
    return f"{', '.join(told)}; most at {height} {units[0]}: was {was_there}, is {is_there} ({sign}{more})"


def _grouped(volume_m3: Fraction, unit: str) -> str:
    whole, point, rest = decimal(from_si(volume_m3, unit), _DIGITS).partition(".")
    sign = "-" if whole.startswith("-") else ""
    return f"{sign}{int(whole.lstrip('-')):,}{point}{rest} {unit}"


def header_units(text: str) -> tuple[str, str]:
    """Return the units of level and volume of a table that has been read."""
    level, volume = (name.strip() for name in text.removeprefix("\ufeff").splitlines()[0].split(","))
    return level.removeprefix("level_"), volume.removeprefix("volume_")


def _worst(
    was: Sequence[StrappingRow], now: Sequence[StrappingRow], levels: Sequence[Fraction]
) -> tuple[Fraction, Fraction, Fraction] | None:
    """Return the level at which the tables differ most, of those that both reach, and both volumes there."""
    found = [
        (level, before, after)
        for level in levels
        if (before := _volume(was, level)) is not None and (after := _volume(now, level)) is not None
    ]
    return max(found, key=lambda at: abs(at[2] - at[1]), default=None)


def _volume(rows: Sequence[StrappingRow], level_m: Fraction) -> Fraction | None:
    """Return the volume at a level, exactly; None outside the table."""
    number = bisect_left(rows, level_m, key=lambda row: row.level_m)
    if number == len(rows) or (number == 0 and rows[0].level_m != level_m):
        return None
    above = rows[number]
    if above.level_m == level_m:
        return above.volume_m3
    below = rows[number - 1]
    part = (level_m - below.level_m) / (above.level_m - below.level_m)
    return below.volume_m3 + part * (above.volume_m3 - below.volume_m3)
