"""A power meter gives itself away: its own numbers fit together as a three-phase meter's do.

The values of one device in, a sentence of evidence out, or None. The law: the active power of three phases is the
sum of voltage × current × power factor over them (IEEE Std 1459, sinusoidal case; from memory).
"""

from collections.abc import Sequence
from itertools import product

import numpy as np

from sidetap.survey.values import Candidate, Device, Kind, Value
from sidetap.survey.evidence.codelength import Floats

_FIT = 0.01  # of the power
_ALIKE = 0.15  # phases of one quantity lie so close together
_MOST_ANSWERS = 500
_FEWEST_ANSWERS = 5
_LOWEST_VOLTAGE = 50.0


def power_meter(device: Device) -> str | None:
    """Return what shows that a device is a power meter, or None."""
    numeric = [(v, s) for v in device.values if (s := _series(device, v)) is not None]
    if not numeric:
        return None
    frequency = next((v for v, s in numeric if _is_mains(s)), None)
    counter = next((v for v in device.values if v.kind is Kind.COUNTER), None)
    extra = "" if frequency is None else f"; register {frequency.register} stays at mains frequency"
    extra += "" if counter is None else f"; register {counter.register} only rises"
    fit = _power_fit(numeric)
    if fit is not None:
        return fit + extra
    return extra.lstrip("; ") if frequency is not None and counter is not None else None


def _series(device: Device, value: Value) -> Floats | None:
    held = [c for c in device.candidates if _is(c, value)]
    if value.kind is Kind.TEXT or not held or len(held[0].block.words) < _FEWEST_ANSWERS:
        return None
    series = held[0].decoded()
    step = max(1, len(series) // _MOST_ANSWERS)
    series = series[::step]
    return series if np.isfinite(series).all() else None


def _is(candidate: Candidate, value: Value) -> bool:
    place = (candidate.block.table, candidate.register, candidate.hypothesis.encoding)
    return place == (value.table, value.register, value.encoding)


def _is_mains(series: Floats) -> bool:
    middle = float(np.median(series))
    near = min(abs(middle - 50.0), abs(middle - 60.0)) < 0.5
    return near and float(np.ptp(series)) < 1.0 and float(np.ptp(series)) > 0.0


def _power_fit(numeric: Sequence[tuple[Value, Floats]]) -> str | None:
    for voltage, current in product(_phases(numeric), repeat=2):
        if voltage == current or np.median(numeric[voltage][1]) < _LOWEST_VOLTAGE:
            continue
        if abs(voltage - current) < 3:
            continue
        apparent = np.sum([numeric[voltage + i][1] * numeric[current + i][1] for i in range(3)], axis=0)
        used = {*range(voltage, voltage + 3), *range(current, current + 3)}
        rest = [n for n in range(len(numeric)) if n not in used]
        for power, factor, scale in product(rest, rest, (1.0, 1e-3)):
            shown, share = numeric[power][1], numeric[factor][1]
            if power == factor or np.abs(share).max() > 1.0 or not np.abs(shown).min() > 0 or not share.any():
                continue
            if len({len(apparent), len(share), len(shown)}) > 1:
                continue
            off = np.abs(apparent * share * scale - shown) / np.abs(shown)
            if np.median(off) <= _FIT:
                return (
                    f"registers {numeric[voltage][0].register} and {numeric[current][0].register} (three voltages, "
                    f"three currents) and {numeric[factor][0].register} (power factor) give the power in register "
                    f"{numeric[power][0].register} within {float(np.median(off)):.2%}"
                )
    return None


def _phases(numeric: Sequence[tuple[Value, Floats]]) -> list[int]:
    """Return where three neighbouring values of about the same size start."""
    starts = []
    for n in range(len(numeric) - 2):
        middles = np.array([abs(float(np.median(numeric[n + i][1]))) for i in range(3)])
        same_length = len({len(numeric[n + i][1]) for i in range(3)}) == 1
        if same_length and middles.min() > 0 and middles.max() <= (1 + _ALIKE) * middles.min():
            starts.append(n)
    return starts
