"""How long a reading takes, from registers to a volume with its uncertainty; for the table of tools/bench.py.

The registers of whole answers come in, one a second of virtual time, as the yard's transmitters would send them while
they fall. Two figures come out: from registers to level, volume and mass with their uncertainties; and all that a
station does with an answer: what it holds it by, steps, the watch on frozen values, rate, time to the trip, age.
"""

import struct
from collections.abc import Callable
from fractions import Fraction
from math import hypot

from timing import cpu_s, show

from sidetap.line import Outcome, Transaction
from sidetap.measure import Meter
from sidetap.measure.budget import Budget
from sidetap.measure.judging import Judge
from sidetap.quantity import NS_PER_S
from sidetap.rehearse.folder import EXAMPLE
from sidetap.site import Site, load_or_refuse
from sidetap.site.levels import level_m

READINGS = 5000
WANTED_US = 20
Words = tuple[int, ...]


def t1_words(n: int) -> Words:
    """Return millimetres, a good status, a temperature."""
    return 6000 - n // 3, 1, 183


def t3_words(n: int) -> Words:
    """Return a pressure in kPa and a temperature."""
    return struct.unpack(">4H", struct.pack(">ff", 27.1 - n / 500, 18.4))


def t6_words(n: int) -> Words:
    """Return feet, the low word first."""
    high, low = struct.unpack(">HH", struct.pack(">f", 4.0 - n / 2500))
    return low, high


ANSWERS: dict[str, Callable[[int], Words]] = {"T1": t1_words, "T3": t3_words, "T6": t6_words}


def transactions(site: Site, vessel: str) -> list[Transaction]:
    """Return one answer a second that holds the vessel's point."""
    point = site.point(site.vessel(vessel).level.point)
    function = 4 if point.table == "input-register" else 3
    found = []
    for n in range(READINGS):
        words = ANSWERS[vessel](n)
        data = struct.pack(f">BBB{len(words)}H", point.device, function, 2 * len(words), *words)
        request = struct.pack(">BBHH", point.device, function, point.register, len(words))
        where = (point.device, function, point.table, point.register, len(words))
        found.append(Transaction(n * NS_PER_S, n * NS_PER_S, *where, request, data, Outcome.ANSWERED))
    return found


def bench_reading(site: Site, vessel: str) -> None:
    """Time one vessel's readings, beside the formulas alone in plain fractions."""
    answers, registers = transactions(site, vessel), [ANSWERS[vessel](n) for n in range(READINGS)]
    found, point = site.vessel(vessel), site.point(site.vessel(vessel).level.point)

    def readings() -> None:
        meter = Meter(site)
        meter.draw(vessel, [0.001], False, 0)
        for n, transaction in enumerate(answers):
            meter.receive(transaction)
            if meter.level(vessel, n * NS_PER_S).volume_m3 is None:
                raise ValueError(f"no volume of {vessel} at {n}")

    def volumes() -> None:
        ready, budget, shape = Judge(found, point), Budget(found), found.geometry
        for words in registers:
            metres = ready.judge(point.register, words).metres
            budget.content(metres, shape.volume_m3(metres), shape.area_m2(metres), heel_m3=0.0)

    def fractions() -> None:
        for n in range(READINGS):
            level = level_m(found.level, found.density, Fraction(ANSWERS[vessel](n)[0], 1000) * point.scale)
            at = min(float(level), found.geometry.top_m)
            volume, area = found.geometry.volume_m3(at), found.geometry.area_m2(at)
            hypot(found.uncertainty.reading_01mm / 10_000 * area, float(found.uncertainty.volume) * volume)

    alone, whole, theirs = (cpu_s(work) / READINGS * 1e6 for work in (volumes, readings, fractions))
    peer, theirs_text = "level and its ± alone, in fractions", f"{theirs:.1f} µs"
    wanted = f"wanted: {WANTED_US} µs at most"
    show(f"{vessel}: registers to volume with ±", f"{alone:.1f} µs", peer, theirs_text, theirs / alone, wanted)
    show(f"{vessel}: all that is done", f"{whole:.1f} µs", peer, theirs_text, theirs / whole)


def main() -> None:
    """Run all parts."""
    site = load_or_refuse(EXAMPLE / "site.toml")
    for vessel in ANSWERS:
        bench_reading(site, vessel)


if __name__ == "__main__":
    main()
