"""Vessels: whether levels are in an order that makes sense, and whether the sensor can see them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from sidetap.quantity import (
    NS_PER_S,
    UNITS,
    Rounding,
    Texts,
    exact_metres,
    format_duration,
    to_si,
)
from sidetap.site import model
from sidetap.site.checks.points import told_readings, whole_numbers
from sidetap.site.checks.rows import Rows
from sidetap.site.keys import LEVEL_DIMENSIONS
from sidetap.site.levels import STANDARD_GRAVITY, level_m
from sidetap.site.limits import highest_flow_m3_per_s, stop_after_trip_m3
from sidetap.site.rows import Row
from sidetap.vessel import OutOfShape, Shifted, Strapping, residuals
from sidetap.vessel import Vessel as Geometry

HIGHEST_01MM = 300_000  # no vessel of this trade is taller (common practice, no source)
MOST_FROM_DRAWING = 0.25  # of the volume at the table's top: bulges and dents make a few per cent
LONG_BLIND_NS = 30 * NS_PER_S  # common practice, no source
MOST_OVER_TOP = (
    1.5  # of a valid range's end: a sensor for several sizes of vessel is usual (common practice, no source)
)


def check_vessels(rows: Rows) -> None:
    """Note what can't be right about a vessel."""
    for row in rows.vessels:
        _order(row)
        _frozen(row)
        _wave(row)
        _drawing(row)
        _reach(row, rows)
        _draw(row, rows)


def _order(row: Row[model.Vessel]) -> None:
    v, t, trip, u_01mm = row.draft, row.table, row.draft.trip, row.draft.uncertainty.reading_01mm
    below = exact_metres(trip.below_01mm)
    if row.fine("trip.reset_above", "trip.below") and trip.reset_above_01mm <= trip.below_01mm:
        t.error(
            "trip.reset_above",
            f"not above the trip at {below}",
            "Put it above the trip by more than waves move the level.",
        )
    if row.fine("low", "trip.below") and v.low_01mm <= trip.below_01mm:
        t.error("low", f"not above the trip at {below}", "A warning comes before the trip.")
    elif row.fine("low", "trip.below", "uncertainty.level") and v.low_01mm - trip.below_01mm <= u_01mm:
        remedy = "Leave time to act between the warning and the trip."
        t.warning("low", f"as near to the trip at {below} as the level is known", remedy)
    if row.fine("high", "low") and v.high_01mm <= v.low_01mm:
        t.error("high", f"not above the low level at {exact_metres(v.low_01mm)}", "Check both.")
    if row.fine("heel", "trip.below") and v.heel_01mm and v.heel_01mm >= trip.below_01mm:
        t.error("heel", f"not below the trip at {below}", "Trip while there is something to draw.")
    if row.fine("trip.reset_above", "high") and trip.reset_above_01mm >= v.high_01mm:
        t.error("trip.reset_above", f"not below the high level at {exact_metres(v.high_01mm)}", "Check both.")
    if not row.fine("shape", "strapping", "datum"):
        return
    if v.top_01mm > HIGHEST_01MM:
        problem = f"a vessel of {exact_metres(v.top_01mm)}"
        t.error("strapping" if row.table.has("strapping") else "shape", problem, "Check the unit of its levels.")
    if row.fine("high") and v.high_01mm >= v.top_01mm:
        t.error("high", f"not below the vessel's top at {exact_metres(v.top_01mm)}", "Check the shape and the level.")
    bottom_01mm = -(-Fraction(v.geometry.bottom_m) * 10_000 // 1)
    if row.fine("trip.below") and 0 < bottom_01mm >= trip.below_01mm:
        problem = f"{below} is not above the first row of the strapping at {exact_metres(bottom_01mm)}"
        t.error("trip.below", problem, "Raise the trip, or strap the vessel further down.")


def _frozen(row: Row[model.Vessel]) -> None:
    watch = row.draft.frozen
    if watch is not None and row.fine("frozen") and watch.seen_01mm >= watch.expected_01mm:
        problem = "not less than what is expected"
        row.table.error("frozen.seen", problem, "A quarter of it allows for a slow draw and a wave.")


def _drawing(row: Row[model.Vessel]) -> None:
    """Warn of a drawing that is another vessel's: a radius for a diameter, a level in another unit."""
    v = row.draft
    if v.drawing is None or not row.fine("strapping", "drawing", "datum"):
        return
    table = v.geometry.shape if isinstance(v.geometry, Shifted) else v.geometry
    if not isinstance(table, Strapping):
        return
    shares = [each.share for each in residuals(v.drawing, table) if each.share is not None]
    if not shares:
        row.table.warning("drawing", "it has none of the table's levels", "Check the units of both.")
    elif abs(shares[-1]) > MOST_FROM_DRAWING:
        problem = f"{shares[-1]:+.0%} from the table where both have a level last"
        row.table.warning("drawing", problem, "Look at sidetap site strapping; check diameter and units.")


def _wave(row: Row[model.Vessel]) -> None:
    """Warn of a filter that is shorter than a wave: the level would trip, and be good again, with each."""
    v = row.draft
    if not row.fine("shape", "strapping", "datum", "trip.below", "trip.mean", "trip.lag"):
        return
    level_m = v.trip.below_01mm / 10_000
    period_s = slosh_period_s(v.geometry, level_m) if level_m > v.geometry.bottom_m else None
    kind, filter_ns = _filter(v.trip)
    if period_s is not None and filter_ns / NS_PER_S < period_s:
        problem = f"shorter than a wave in {row.tag} at its trip, {period_s:.1f} s"
        row.table.warning(f"trip.{kind}", problem, "Two waves or more are usual, so that no wave trips.")


def _filter(trip: model.Trip) -> tuple[str, int]:
    """Return the key of a trip's filter, and its length in ns."""
    return ("lag", trip.lag_ns) if trip.lag_ns else ("mean", trip.mean_ns)


def slosh_period_s(geometry: Geometry, level_m: float) -> float | None:
    """Return the period of the first wave at a level, in s; None where there is no liquid.

    Linear theory of a round, upright vessel as wide as the surface: ω² = g k tanh(k h), k = 1.8412 / R, h the volume
    over the surface (the first zero of J1'; from memory). 6.49 s for 9.144 m at 0.60 m.

    >>> from sidetap.vessel import VerticalCylinder
    >>> round(slosh_period_s(VerticalCylinder(9.144, 7.315), 0.60), 2)
    6.49
    """
    try:
        area_m2, volume_m3 = geometry.area_m2(level_m), geometry.volume_m3(level_m)
    except OutOfShape:
        return None
    if area_m2 <= 0 or volume_m3 <= 0:
        return None
    k = 1.8412 / math.sqrt(area_m2 / math.pi)
    return 2 * math.pi / math.sqrt(float(STANDARD_GRAVITY) * k * math.tanh(k * volume_m3 / area_m2))


def _reach(row: Row[model.Vessel], rows: Rows) -> None:
    """Require that the sensor can see the trip and the high level."""
    v, t, source = row.draft, row.table, row.draft.level
    point_row = rows.point(source.point) if row.fine("level") else None
    if point_row is None or not point_row.fine("unit"):
        return
    point, wanted = point_row.draft, LEVEL_DIMENSIONS[source.kind]
    if UNITS[point.unit].dimension is not wanted:
        problem = f"{source.kind} needs a unit of {wanted.name.lower()}; {source.point} is in {point.unit}"
        t.error("level.as", problem, "Check the point's unit and what it measures.")
        return
    _span(row, point_row)
    trip_01mm = v.trip.below_01mm
    trip = f"{exact_metres(trip_01mm)} is under the sensor's reach"
    high = f"{exact_metres(v.high_01mm)} is over the sensor's reach"
    if source.kind is model.LevelKind.PRESSURE and row.fine("trip.below") and trip_01mm <= source.sensor_height_01mm:
        nozzle = exact_metres(source.sensor_height_01mm)
        t.error("trip.below", f"{trip}: its nozzle is at {nozzle}", "Raise the trip above the nozzle.")
        return
    if not point_row.fine("valid") or not (source.kind is not model.LevelKind.PRESSURE or row.fine("density.value")):
        return
    lowest_reading, highest_reading = point.valid
    told = told_readings(point) if point_row.fine("encoding", "scale", "offset") else None
    if told is not None:
        lowest_reading, highest_reading = max(lowest_reading, told[0]), min(highest_reading, told[1])
        if lowest_reading >= highest_reading:
            return  # told at the point
    reach = sorted(level_m(source, v.density, value) * 10_000 for value in (lowest_reading, highest_reading))
    blocked = Fraction(source.reference_height_01mm - source.blocking_01mm)
    blocking = source.kind is model.LevelKind.ULLAGE and blocked < reach[1]
    if blocking:
        reach[1] = blocked
    lowest, highest = (exact_metres(end // 1) for end in reach)
    if row.fine("trip.below") and trip_01mm <= reach[0]:
        problem = f"{trip}: {source.point} tells from {lowest}"
        t.error("trip.below", problem, "Raise it, or check the valid range.")
    if row.fine("high") and v.high_01mm >= reach[1]:
        what = (
            f"its blocking distance begins at {highest}" if blocking else f"{source.point} is valid up to {highest}"
        )
        t.error("high", f"{high}: {what}", "Lower it, or check the valid range and the reference.")


def _span(row: Row[model.Vessel], point_row: Row[model.Point]) -> None:
    """Look at what doesn't belong to this vessel: references, ranges and steps of another size."""
    v, source, point = row.draft, row.draft.level, point_row.draft
    if source.kind is not model.LevelKind.PRESSURE or row.fine("density.value"):
        _step(row, point_row)
    if not row.fine("shape", "strapping", "datum"):
        return
    told = source.kind is model.LevelKind.HEIGHT or (
        source.kind is model.LevelKind.PRESSURE
        and row.fine("density.value")
        and source.sensor_height_01mm < v.top_01mm
    )
    if told and point_row.fine("valid"):
        highest_01mm = int(level_m(source, v.density, point.valid[1]) * 10_000)
        if highest_01mm > v.top_01mm * MOST_OVER_TOP:
            problem = f"up to {exact_metres(highest_01mm)}, and {row.tag}'s top is at {exact_metres(v.top_01mm)}"
            point_row.table.warning("valid", problem, "End the range near the vessel's top.")
    if source.kind is model.LevelKind.PERCENT and source.span_01mm > v.top_01mm:
        problem = f"100 % is above the vessel's top at {exact_metres(v.top_01mm)}"
        row.table.warning("level.span", problem, "Check the span and the vessel's shape.")
    if source.kind is model.LevelKind.PRESSURE and source.sensor_height_01mm >= v.top_01mm:
        problem = f"a nozzle above the vessel's top at {exact_metres(v.top_01mm)}"
        row.table.error("level.sensor_height", problem, "Check the nozzle's height and the vessel's shape.")


def _step(row: Row[model.Vessel], point_row: Row[model.Point]) -> None:
    """Warn where one count of the register is coarser than what it is used for."""
    point, v = point_row.draft, row.draft
    if not point_row.fine("encoding", "scale") or whole_numbers(point.encoding) is None:
        return
    zero, one = (level_m(v.level, v.density, to_si(n * point.scale, point.unit)) for n in (0, 1))
    step_01mm = abs(one - zero) * 10_000
    band_01mm = v.trip.reset_above_01mm - v.trip.below_01mm if row.fine("trip") else 0
    if band_01mm > 0 and step_01mm > band_01mm:
        problem = f"one count is {exact_metres(int(step_01mm))}, more than from {row.tag}'s trip to its reset"
        point_row.table.warning("scale", problem, "Check scale and unit.")
    u_01mm = v.uncertainty.reading_01mm
    if row.fine("uncertainty.level") and 0 < band_01mm <= u_01mm:
        problem = f"{exact_metres(u_01mm)} are as much as from the trip to its reset"
        row.table.warning("uncertainty.level", problem, "Check it, or leave more between trip and reset.")


def _draw(row: Row[model.Vessel], rows: Rows) -> None:
    """Look at what the bays' flows do to the level: how fast it falls, and how far after a trip."""
    v, t, texts = row.draft, row.table, Texts(rows.show)
    ways = [
        (valve, bay)
        for valve in rows.ways(row.tag)
        if (bay := rows.bay(valve.draft.bay)) is not None and bay.fine("flow") and valve.fine("stroke")
    ]
    if not ways or not row.fine("shape", "strapping", "datum", "trip"):
        return
    try:
        area_m2 = v.geometry.area_m2(v.trip.below_01mm / 10_000)
        trip_m3 = v.geometry.volume_m3(v.trip.below_01mm / 10_000)
    except OutOfShape:
        return  # told already
    exclusive = any(isinstance(r.draft, model.ExclusiveVessel) and r.draft.vessel == row.tag for r in rows.rules)
    flows = [highest_flow_m3_per_s(bay.draft) for _, bay in ways]
    stops = [stop_after_trip_m3(bay.draft, valve.draft, v) for valve, bay in ways]
    flow, stop_m3 = (max(each) if exclusive else sum(each, Fraction(0)) for each in (flows, stops))
    point = rows.point(v.level.point) if row.fine("level.point") else None
    if point is not None and point.fine("max_step") and point.draft.max_step_m_per_s is not None and area_m2 > 0:
        falls_m_per_s = float(flow) / area_m2
        if falls_m_per_s > point.draft.max_step_m_per_s:
            problem = (
                f"at {texts.flow(flow)} {row.tag}'s level falls by {falls_m_per_s * 1000:.0f} mm/s near its trip"
            )
            point.table.error("max_step", problem, "Allow for more, or every such draw would be a bad level.")
    floor_01mm = max(v.heel_01mm, v.level.sensor_height_01mm, math.ceil(v.geometry.bottom_m * 10_000))
    if floor_01mm >= v.trip.below_01mm:
        return  # told already
    floor_m3 = v.geometry.volume_m3(floor_01mm / 10_000)
    if trip_m3 - float(stop_m3) < floor_m3 < trip_m3:
        what = "its heel" if floor_01mm == v.heel_01mm else "what its sensor sees"
        problem = (
            f"up to {texts.volume(stop_m3, Rounding.UP)} more are drawn until the valves are shut, down under {what}"
        )
        kind, filter_ns = _filter(v.trip)
        t.warning("trip.below", problem, f"Raise it, or shorten the {kind} of {format_duration(filter_ns)}.")
    if point is not None and point.fine("close_age"):
        _blind(row, point, ways, float(flow), trip_m3 - floor_m3, texts)
    if v.frozen is not None and row.fine("frozen.expected") and all(bay.fine("vehicle") for _, bay in ways):
        _speaks(row, v.frozen, max(bay.draft.vehicle.capacity_m3 for _, bay in ways))


def _blind(
    row: Row[model.Vessel],
    point: Row[model.Point],
    ways: Sequence[tuple[Row[model.Valve], Row[model.Bay]]],
    flow_m3_per_s: float,
    room_m3: float,
    texts: Texts,
) -> None:
    """Look at what is drawn while the level is old and valves still stay open."""
    close_ns = point.draft.close_age_ns
    close = format_duration(close_ns)
    limits_ns = [valve.draft.open_limit_ns for valve, _ in ways if valve.fine("open_limit")]
    if limits_ns and close_ns >= min(limits_ns):
        problem = f"{close} is no shorter than an open limit from {row.tag}: it would never close anything"
        point.table.error("close_age", problem, "A few polls are usual.")
    elif flow_m3_per_s * close_ns / NS_PER_S > room_m3:
        problem = f"in {close} more is drawn from {row.tag} than lies between its trip and what can be drawn"
        point.table.warning("close_age", problem, "Shorten it, or raise the trip.")
    elif close_ns > max(LONG_BLIND_NS, 10 * point.draft.poll_ns):
        drawn = texts.volume(flow_m3_per_s * close_ns / NS_PER_S, Rounding.UP)
        problem = f"up to {drawn} are drawn blind from {row.tag} in {close}"
        point.table.warning("close_age", problem, "A few polls are usual.")


def _speaks(row: Row[model.Vessel], watch: model.FrozenWatch, load_m3: Fraction) -> None:
    """Warn of a watch that no load is long enough for."""
    v = row.draft
    most_m3 = float(load_m3)
    try:
        high_m3 = v.geometry.volume_m3(v.high_01mm / 10_000)
        falls_m = v.high_01mm / 10_000 - v.geometry.level_m(high_m3 - most_m3)
    except OutOfShape:
        return  # it holds less than a load, or its high level is wrong
    if watch.expected_01mm > falls_m * 10_000:
        problem = f"no load draws so much: the largest lowers {row.tag} by {exact_metres(int(falls_m * 10_000))}"
        row.table.warning("frozen.expected", problem, "Expect less, or the watch never speaks.")
