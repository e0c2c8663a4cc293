"""Two tables of one kind, as they stand in two files -> their differences, key by key, in the order of the keys."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sidetap.site.differences.meaning import default, meaning
from sidetap.site.differences.shown import Difference, shown
from sidetap.site.keys import Inner, Key, Many, Range, WordOrInner
from sidetap.site.keys.tree import children, decider, inside

Values = Mapping[str, Any]


def differences(
    kind: str, where: str, was: Values, now: Values, leave: frozenset[str] = frozenset()
) -> Iterator[Difference]:
    """Yield what differs between two tables of a kind; leave: keys that are told elsewhere."""
    for name, key in children(kind).items():
        if name in leave or (name not in was and name not in now):
            continue
        at, old, new = f"{where}.{name}" if where else name, was.get(name), now.get(name)
        match key.form:
            case Inner():
                yield from _inner(inside(kind, name), at, old, new)
            case WordOrInner():
                yield from _inner(inside(kind, name), at, *(_as_table(key, value) for value in (old, new)))
            case Many():
                yield from _many(inside(kind, name), at, old or [], new or [])
            case _:
                if meaning(key, old) != meaning(key, new):
                    yield _told(key, at, old, new)


def whole(where: str, was: Values | None, now: Values | None) -> Difference:
    """Return a table that is there in one file only, or quite another."""
    return Difference(where, "" if was is None else shown(was), "" if now is None else shown(now))


def _told(key: Key, where: str, was: Any, now: Any) -> Difference:
    ranged = isinstance(key.form, Range)
    old, new = ("" if value is None else shown(value, ranged) for value in (was, now))
    return Difference(where, old, new, key.default.strip('"') if was is None or now is None else "")


def _inner(kind: str, where: str, was: Values | None, now: Values | None) -> Iterator[Difference]:
    if was is None or now is None:
        yield whole(where, was, now)
        return
    decides = decider(kind)
    if decides and was[decides] != now[decides]:  # other keys belong there
        yield whole(where, was, now)
    else:
        yield from differences(kind, where, was, now)


def _as_table(key: Key, value: Any) -> Values | None:
    """Return a word for a table as that table."""
    value = default(key) if value is None else value
    return value if value is None or isinstance(value, Mapping) else {"form": value}


def _many(kind: str, where: str, was: list[Values], now: list[Values]) -> Iterator[Difference]:
    if decider(kind):  # parts that stand on each other: their order is their meaning
        for number in range(max(len(was), len(now))):
            old, new = (rows[number] if number < len(rows) else None for rows in (was, now))
            yield from _inner(kind, f"{where} {number + 1}", old, new)
        return
    meant = [[_meant(kind, row) for row in rows] for rows in (was, now)]
    for row, means in zip(was, meant[0], strict=True):
        if means not in meant[1]:
            yield whole(where, row, None)
    for row, means in zip(now, meant[1], strict=True):
        if means not in meant[0]:
            yield whole(where, None, row)


def _meant(kind: str, row: Values) -> dict[str, Any]:
    return {name: meaning(key, row.get(name)) for name, key in children(kind).items()}
