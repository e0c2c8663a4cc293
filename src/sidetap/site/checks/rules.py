"""Rules between vessels and bays, what may follow what, and bypasses."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable
from fractions import Fraction

from sidetap.quantity import exact_metres, format_duration
from sidetap.site import model
from sidetap.site.checks.rows import Rows, nearest
from sidetap.site.rows import Row
from sidetap.site.table import names, shorten

LEAST_BAND_01MM = 200  # waves of a loading yard (common practice, no source)
MOST_DENSITIES_APART = Fraction(2, 100)  # of one product in two vessels: another temperature or batch
DAY = 24 * 60  # minutes


def check_rules(rows: Rows) -> None:
    """Note rules that can't be kept, and vessels that nobody has thought about."""
    for row in rows.rules:
        rule = row.draft
        if isinstance(rule, model.QuietHours):
            _quiet(row, rule)
        elif isinstance(rule, model.SharedOnlyAbove):
            _shared(row, rule, rows)
        elif isinstance(rule, model.ExclusiveVessel):
            _several_bays(row, rule.vessel, rows)
        elif isinstance(rule, model.TripVote):
            _vote(row, rule, rows)
    _overlapping(rows)
    _one_of_a_kind(rows)
    _unruled(rows)
    _products(rows)
    _bypass(rows)


def _quiet(row: Row[model.Rule], rule: model.QuietHours) -> None:
    if row.fine("from", "to") and rule.from_minute == rule.to_minute:
        row.table.error("to", "the same as from: no time at all, or all day", "Write when polling begins again.")
    elif row.fine("from", "to") and (rule.to_minute - rule.from_minute) % DAY > DAY // 2:
        row.table.warning("to", "quiet for more than half of the day", "Are from and to exchanged?")


def _overlapping(rows: Rows) -> None:
    """Warn of two quiet windows that share minutes: one of them is a slip."""
    windows = [row for row in rows.rules if isinstance(row.draft, model.QuietHours) and row.fine("from", "to")]
    taken: dict[int, str] = {}
    for row in windows:
        rule = row.draft
        assert isinstance(rule, model.QuietHours)  # noqa: S101  # for the types; filtered above
        length = (rule.to_minute - rule.from_minute) % DAY
        minutes = {(rule.from_minute + n) % DAY for n in range(length)}
        other = next((taken[minute] for minute in minutes if minute in taken), None)
        if other is not None:
            row.table.warning("from", f"it overlaps rule {other}", "Write one window, or two that don't meet.")
        taken.update(dict.fromkeys(minutes, row.tag))


def _bays_of(vessel: str, rows: Rows) -> list[str]:
    return list(dict.fromkeys(valve.draft.bay for valve in rows.ways(vessel)))


def _several_bays(row: Row[model.Rule], vessel: str, rows: Rows) -> None:
    known = row.fine("vessel") and all(v.fine("from", "bay") for v in rows.valves)
    if known and rows.vessel(vessel) is not None and len(_bays_of(vessel, rows)) < 2:
        row.table.warning("vessel", f"{vessel} serves one bay only", "Leave the rule out, or check the valves.")


def _shared(row: Row[model.Rule], rule: model.SharedOnlyAbove, rows: Rows) -> None:
    t, vessel = row.table, rows.vessel(rule.vessel) if row.fine("vessel") else None
    if row.fine("level", "close_below") and rule.close_below_01mm >= rule.level_01mm:
        problem = f"not below the level at {exact_metres(rule.level_01mm)}"
        t.error("close_below", problem, "Leave a few cm, or a wave would open and close.")
    elif row.fine("level", "close_below") and rule.level_01mm - rule.close_below_01mm < LEAST_BAND_01MM:
        problem = f"less than {exact_metres(LEAST_BAND_01MM)} under the level at {exact_metres(rule.level_01mm)}"
        t.warning("close_below", problem, "Leave a few cm, or a wave would open and close.")
    if row.fine("bays") and len(set(rule.bays)) < 2:
        t.error("bays", "fewer than two bays", "Name those that the vessel may serve together.")
    if vessel is None:
        return
    if row.fine("bays") and all(v.fine("from", "bay") for v in rows.valves):
        served = _bays_of(rule.vessel, rows)
        for member, bay in enumerate(rule.bays):
            if bay in rows.found["bay"] and bay not in served:
                problem = f"no valve leads from {rule.vessel} to bay {bay}"
                t.error("bays", problem, f"It serves {names(served)}.", member)
    v = vessel.draft
    if row.fine("close_below") and vessel.fine("trip.below") and rule.close_below_01mm <= v.trip.below_01mm:
        problem = f"not above {rule.vessel}'s trip at {exact_metres(v.trip.below_01mm)}, which closes all its valves"
        t.error("close_below", problem, "Raise it.")
    if row.fine("level") and vessel.fine("high") and rule.level_01mm >= v.high_01mm:
        problem = f"not below {rule.vessel}'s high level at {exact_metres(v.high_01mm)}"
        t.error("level", problem, "Lower it.")


def _vote(row: Row[model.Rule], rule: model.TripVote, rows: Rows) -> None:
    t = row.table
    for key, tags in (("vessels", rule.vessels), ("bays", rule.bays)):
        for member, tag in enumerate(tags):
            if tag in tags[:member]:
                t.error(key, f"{tag} stands there twice", "Name each once.", member)
    count = len(set(rule.vessels))
    if row.fine("vessels", "at_least") and rule.at_least > count:
        t.error("at_least", f"{rule.at_least} of {count}", f"1 is any of them, {count} is all.")
    elif row.fine("vessels", "at_least", "bays") and all(v.fine("from", "bay") for v in rows.valves):
        ways = [v.draft for v in rows.valves if v.draft.bay in rule.bays]
        if ways and all(count - (way.vessel in rule.vessels) < rule.at_least for way in ways):
            problem = "it closes nothing that these vessels' own trips don't close"
            t.warning("at_least", problem, "Lower it, or name vessels or bays that have less to do with each other.")


def _one_of_a_kind(rows: Rows) -> None:
    """Two rules of one kind about one thing would contradict each other, or one is too many."""
    first: dict[Hashable, str] = {}
    for row in rows.rules:
        rule = row.draft
        if not row.fine("kind", "vessel", "vessels", "bays") or isinstance(rule, model.QuietHours):
            continue  # there may be several windows a day
        about, what = _about(rule)
        before = first.setdefault(about, row.tag)
        if before != row.tag:
            row.table.error("kind", f"rule {before} says {what} already", "Keep one of them.")


def _about(rule: model.Rule) -> tuple[Hashable, str]:
    """Return what there can be one rule about, and the words for it."""
    if isinstance(rule, model.ExclusiveVessel | model.SharedOnlyAbove):
        return ("vessel", rule.vessel), f"about {rule.vessel}"
    if isinstance(rule, model.TripVote):
        return (rule.kind, frozenset(rule.vessels), frozenset(rule.bays)), "about these vessels and bays"
    return rule.kind, "this"


def _unruled(rows: Rows) -> None:
    """Warn of a vessel that may feed several bays at once without anybody having said so."""
    if any(not row.fine("from", "bay") for row in rows.valves) or any(not row.fine("vessel") for row in rows.rules):
        return
    ruled = {r.draft.vessel for r in rows.rules if isinstance(r.draft, model.ExclusiveVessel | model.SharedOnlyAbove)}
    bays: dict[str, list[str]] = defaultdict(list)
    for valve in rows.valves:
        bays[valve.draft.vessel].append(valve.draft.bay)
    for row in rows.vessels:
        served = sorted(set(bays[row.tag]))
        if len(served) > 1 and row.tag not in ruled:
            problem = f"bays {' and '.join(served)} may draw from {row.tag} at the same time"
            remedy = "Add a [[rule]] of kind exclusive-vessel or shared-only-above, if they must not."
            row.table.warning("tag", problem, remedy)


def _products(rows: Rows) -> None:
    """Look at [compatible]: only products that are there; one without a row may be followed by nothing."""
    table = rows.compatible_table
    if table is None or table.absent or "vessel" in rows.misspelt or not all(v.fine("product") for v in rows.vessels):
        return
    products = [v.draft.product for v in rows.vessels]
    told: set[str] = set()  # a product renamed is one mistake, however often it is named
    for row_product, followers in rows.compatible:
        if len(set(followers)) < len(followers):
            table.error(row_product, "a product stands there twice", "Name each once.")
        named = [(row_product, ()), *((follower, (member,)) for member, follower in enumerate(followers))]
        for product, inside in named:
            if product not in products and product not in told:
                told.add(product)
                problem, remedy = f"no vessel holds {shorten(product)!r}", nearest(product, products, "product")
                if inside:
                    table.error(row_product, problem, remedy, *inside)
                else:
                    table.error_at_key(row_product, problem, remedy)
    _densities(rows)
    for product in dict.fromkeys(products):
        if product not in dict(rows.compatible).get(product, ()) and product not in table.wrong:
            table.warning(
                product,
                f"{product} may not follow itself: no restart on its ticket",
                f'Add "{product}" to its list if the client has signed that.',
            )


def _densities(rows: Rows) -> None:
    """Warn of one product with two densities."""
    first: dict[str, Row[model.Vessel]] = {}
    for row in rows.vessels:
        if not row.fine("density.value"):
            continue
        other = first.setdefault(row.draft.product, row)
        ratio = row.draft.density.kg_per_m3 / other.draft.density.kg_per_m3
        if abs(ratio - 1) > MOST_DENSITIES_APART:
            problem = f"{abs(float(ratio - 1)):.0%} from {other.tag}'s, which holds the same product"
            row.table.warning("density.value", problem, "Check product and certificate of both.")


def _bypass(rows: Rows) -> None:
    row = rows.bypass
    if row is None:
        return
    if row.fine("time", "at_most") and row.draft.time_ns > row.draft.at_most_ns:
        most = format_duration(row.draft.at_most_ns)
        row.table.error("time", f"longer than at_most, {most}", f"At most {most}.")
    for member, tag in enumerate(row.draft.trips):
        if tag in row.draft.trips[:member]:
            row.table.error("trips", f"{tag} stands there twice", "Name each once.", member)
