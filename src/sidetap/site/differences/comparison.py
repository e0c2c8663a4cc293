"""Two site files -> a ``Comparison``: what differs in the site, what among people, and both pairs of hashes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sidetap.site.canonical import canonical, site_hash
from sidetap.site.cause_effect import compile_site
from sidetap.site.differences.shown import Difference
from sidetap.site.differences.strapping import header_units, summary
from sidetap.site.differences.tables import Values, differences, whole
from sidetap.site.document import read_document
from sidetap.site.files import read_small_text
from sidetap.site.keys import Inner, Many
from sidetap.site.keys.tree import children
from sidetap.site.model import Site, Vessel
from sidetap.site.reader import load_or_refuse
from sidetap.vessel import Shifted, Strapping

_GEOMETRY = frozenset({"shape", "strapping", "datum"})


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs. people: in no hash. Each pair of hashes: of the first file and of the second."""

    site: tuple[Difference, ...]
    people: tuple[Difference, ...]
    scheme_hashes: tuple[str, str]
    site_hashes: tuple[str, str]

    @property
    def equal(self) -> bool:
        """Whether the files mean the same."""
        return not self.site and not self.people

    @property
    def promises_differ(self) -> bool:
        """Whether the sites promise something else, which no verification of the first one has looked at."""
        return any(difference.where.startswith("promise.") for difference in self.site)


@dataclass(frozen=True, slots=True)
class _Side:
    site: Site
    values: Values
    folder: Path


def compare(was: Path, now: Path) -> Comparison:
    """Compare two site files and what they name; BadInput with the first problem of a faulty one."""
    old, new = _read(was), _read(now)
    return Comparison(
        site=tuple(_site(old, new)),
        people=tuple(_people(old, new)),
        scheme_hashes=(compile_site(old.site).digest, compile_site(new.site).digest),
        site_hashes=(site_hash(old.site), site_hash(new.site)),
    )


def _read(path: Path) -> _Side:
    return _Side(load_or_refuse(path), read_document(path, str(path)).values, path.parent)


def _site(old: _Side, new: _Side) -> Iterator[Difference]:
    tagged = {kind for kind, key in children("").items() if isinstance(key.form, Many)}
    for kind, key in children("").items():
        if kind in tagged:
            yield from _rows(kind, old, new)
        elif kind == "compatible":
            yield from _compatible(old.site, new.site)
        elif isinstance(key.form, Inner):
            before, after = old.values.get(kind), new.values.get(kind)
            if before is None or after is None:
                if before is not after:
                    yield whole(kind, before, after)
            else:
                yield from differences(kind, kind, before, after)


def _rows(kind: str, old: _Side, new: _Side) -> Iterator[Difference]:
    """Yield what differs between the [[kind]] tables, told apart by their tags."""
    before, after = (
        {row["tag"]: (row, model) for row, model in zip(side.values.get(kind, []), _models(side, kind), strict=True)}
        for side in (old, new)
    )
    for tag in [*before, *(tag for tag in after if tag not in before)]:
        where = f"{kind}.{tag}"
        if tag not in before or tag not in after:
            yield whole(where, *(_without_tag(rows[tag][0]) if tag in rows else None for rows in (before, after)))
            continue
        (was, was_model), (now, now_model) = before[tag], after[tag]
        if canonical(was_model) == canonical(now_model):
            continue
        if isinstance(was_model, Vessel):
            yield from differences(kind, where, was, now, _GEOMETRY)
            yield from _geometry(where, (was, now), (was_model, now_model), new.folder)
        else:
            yield from differences(kind, where, was, now)


def _models(side: _Side, kind: str) -> tuple[Any, ...]:
    return tuple(getattr(side.site, f"{kind}s"))


def _without_tag(row: Values) -> Values:
    return {name: value for name, value in row.items() if name != "tag"}


def _geometry(
    where: str, rows: tuple[Values, Values], vessels: tuple[Vessel, Vessel], folder: Path
) -> Iterator[Difference]:
    """Yield what differs in shape, strapping and datum; two tables of rows are told in one line.

    folder: of the second file, where the name of its table starts from.
    """
    (was, now), (was_model, now_model) = rows, vessels
    if canonical(was_model.geometry) == canonical(now_model.geometry):
        return
    tables = tuple(_strapping(vessel) for vessel in (was_model, now_model))
    if tables[0] is not None and tables[1] is not None:
        if tables[0] != tables[1]:
            units = header_units(read_small_text(folder / now["strapping"]))
            told = summary(tables[0], tables[1], units)
            yield Difference(f"{where}.strapping", was["strapping"], now["strapping"], rows=told)
        leave = _all_but({"datum"})
    else:
        leave = _all_but(_GEOMETRY)
    yield from differences("vessel", where, was, now, leave)


def _all_but(names: frozenset[str] | set[str]) -> frozenset[str]:
    return frozenset(children("vessel")) - names


def _strapping(vessel: Vessel) -> Strapping | None:
    geometry = vessel.geometry.shape if isinstance(vessel.geometry, Shifted) else vessel.geometry
    return geometry if isinstance(geometry, Strapping) else None


def _compatible(old: Site, new: Site) -> Iterator[Difference]:
    """Yield what may follow a product on one ticket in one file only."""
    before, after = dict(old.compatible), dict(new.compatible)
    for product in [*before, *(product for product in after if product not in before)]:
        was, now = before.get(product, ()), after.get(product, ())
        if set(was) != set(now):
            yield Difference(f"compatible.{product}", ", ".join(was), ", ".join(now))


def _people(old: _Side, new: _Side) -> Iterator[Difference]:
    before, after = ({person.name: person.role for person in side.site.people} for side in (old, new))
    for name in [*before, *(name for name in after if name not in before)]:
        if before.get(name) != after.get(name):
            yield Difference(f"person {name}", before.get(name, ""), after.get(name, ""))
    was, now = (side.values.get("secrets", "") for side in (old, new))
    if was != now:
        yield Difference("secrets", was, now)
