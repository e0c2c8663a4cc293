"""How much goes through a valve until it has closed at its open limit, and what the vehicle can take.

Exact arithmetic. Volumes are those of the highest flow (nominal plus tolerance): what may overflow is predicted to
the unfavourable side. A level trip, a high probe and the hard-wired stop are other protections and count for nothing
here.
"""

from dataclasses import dataclass
from fractions import Fraction

from sidetap.quantity import NS_PER_S, Rounding, Texts, format_duration, format_number, from_si, round_fraction, to_si
from sidetap.site.model import Bay, Display, Valve, Vessel

POLL_S = Fraction(1)  # allowed for whatever is asked once a second
SCAN_AND_OUTPUT_S = Fraction(2, 10)  # a scan of 100 ms, and 100 ms until the output is at the valve
LIMIT_STEP_NS = 5 * NS_PER_S  # a limit that is proposed is rounded down to this


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """What an open limit lets through.

    through_m3: at the highest flow, until the limit. stop_m3: after it, until the valve is shut, rounded up to a
    gallon. largest_ns: the longest limit that the vehicle can take, not rounded; negative when none can.
    """

    through_m3: Fraction
    stop_m3: Fraction
    mass_kg: Fraction
    over_capacity: bool
    over_payload: bool
    largest_ns: int

    @property
    def fits(self) -> bool:
        """Whether the vehicle can take what comes."""
        return not self.over_capacity and not self.over_payload


def stop_volume_m3(bay: Bay, valve: Valve) -> Fraction:
    """Return what flows after the open limit, at the highest flow, rounded up to a whole US gallon, in m³.

    Q × (1.0 + 0.2 + stroke / 2); half a stroke is the mean opening of a valve that closes evenly (common practice,
    no source).
    """
    seconds = POLL_S + SCAN_AND_OUTPUT_S + Fraction(valve.stroke_ns, NS_PER_S) / 2
    gallons = from_si(highest_flow_m3_per_s(bay) * seconds, "gal")
    return to_si(round_fraction(gallons, Rounding.UP), "gal")


def stop_after_trip_m3(bay: Bay, valve: Valve, vessel: Vessel) -> Fraction:
    """Return what flows after a vessel's level has passed its low trip, at the highest flow, exactly, in m³.

    Q × (1.0 + 0.2 + filter + delay + stroke / 2): of an even fall a mean is half its window late, a filter of first
    order its time constant.
    """
    trip = vessel.trip
    trip_s = Fraction(trip.mean_ns, 2 * NS_PER_S) + Fraction(trip.lag_ns + trip.delay_ns, NS_PER_S)
    seconds = POLL_S + SCAN_AND_OUTPUT_S + trip_s + Fraction(valve.stroke_ns, NS_PER_S) / 2
    return highest_flow_m3_per_s(bay) * seconds


def highest_flow_m3_per_s(bay: Bay) -> Fraction:
    """Return the flow plus its tolerance."""
    return bay.flow_m3_per_s * (1 + bay.flow_tolerance)


def check_limit(bay: Bay, valve: Valve, vessel: Vessel) -> LimitCheck:
    """Return what the valve's open limit lets into the bay's vehicle."""
    flow, stop = highest_flow_m3_per_s(bay), stop_volume_m3(bay, valve)
    density = vessel.density.kg_per_m3
    through = flow * valve.open_limit_ns / NS_PER_S
    room = min(bay.vehicle.capacity_m3, bay.vehicle.payload_kg / density)
    return LimitCheck(
        through_m3=through,
        stop_m3=stop,
        mass_kg=(through + stop) * density,
        over_capacity=through + stop > bay.vehicle.capacity_m3,
        over_payload=(through + stop) * density > bay.vehicle.payload_kg,
        largest_ns=round_fraction((room - stop) / flow * NS_PER_S, Rounding.DOWN),
    )


def limit_problem(bay: Bay, valve: Valve, vessel: Vessel, show: Display) -> tuple[str, str] | None:
    """Return problem and remedy when an open limit lets more through than the vehicle can take, else None."""
    texts = Texts(show)
    found = check_limit(bay, valve, vessel)
    if found.fits:
        return None
    over = []
    if found.over_capacity:
        over.append(f"over the vehicle's {texts.volume(bay.vehicle.capacity_m3, Rounding.DOWN)}")
    if found.over_payload:
        over.append(
            f"{texts.mass(found.mass_kg, Rounding.UP)}, over its payload of "
            f"{texts.mass(bay.vehicle.payload_kg, Rounding.DOWN)}"
        )
    nominal_kg = bay.flow_m3_per_s * valve.open_limit_ns / NS_PER_S * vessel.density.kg_per_m3
    already = ""
    if nominal_kg > bay.vehicle.payload_kg:
        already = f"; already {texts.mass(nominal_kg, Rounding.UP)} at nominal flow without the stop"
    tolerance = format_number(bay.flow_tolerance * 100, 0)
    problem = (
        f"{format_duration(valve.open_limit_ns)} from {vessel.tag} at {tolerance} % over nominal flow let "
        f"{texts.volume(found.through_m3, Rounding.UP)} through and {texts.volume(found.stop_m3, Rounding.UP)} more "
        f"until the valve is shut: {' and '.join(over)}{already}"
    )
    largest_ns = found.largest_ns // LIMIT_STEP_NS * LIMIT_STEP_NS
    if largest_ns <= 0:
        return problem, "No limit fits this vehicle; check flow, capacity and payload."
    return problem, f"At most {format_duration(largest_ns)}."
