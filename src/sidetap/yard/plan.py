"""A working day of the yard, 09:00 to 13:00, as written: who loads what, who delivers.

Bays A and C, and in a recording bay B as well, are worked by people: their loads are transfers at the bay's flow.
A bay loads one thing at a time; T2 and T3 serve one bay at a time; every vessel moves by two feet and more.
"""

from sidetap.yard.field import Transfer
from sidetap.yard.uart import NS


def _rows(what: str, *rows: tuple[float, str, float, float]) -> tuple[Transfer, ...]:
    """Return transfers from rows of (minute of the start, vessel, gpm, gal)."""
    return tuple(
        Transfer(round(minute * 60 * NS), tag, gpm, abs(gal / gpm), None, what) for minute, tag, gpm, gal in rows
    )


_BAY_A = _rows(
    "load at bay A",
    (4, "T4", -200, 1600),
    (40, "T1", -200, 1600),
    (62, "T2", -200, 1600),
    (93, "T4", -200, 1600),
    (123, "T1", -200, 1600),
    (150, "T2", -200, 1550),
)
_BAY_B = _rows(
    "load at bay B",
    (2, "T1", -400, 4200),
    (22, "T2", -400, 4300),
    (42, "T3", -400, 3950),
    (72, "T1", -400, 4150),
    (96, "T2", -400, 4300),
    (118, "T3", -400, 4000),
    (134, "T1", -400, 4200),
    (164, "T2", -400, 4250),
    (192, "T3", -400, 3600),
)
_BAY_C = _rows(
    "load at bay C",
    (8, "T6", -60, 275),
    (20, "T5", -60, 275),
    (33, "T6", -60, 275),
    (58, "T3", -60, 275),
    (77, "T5", -60, 275),
    (90, "T6", -60, 275),
    (101, "T6", -60, 270),
    (140, "T5", -60, 275),
)
_DELIVERIES = _rows(
    "delivery",
    (108, "T6", 200, 2050),
    (155, "T5", 120, 4250),
    (182, "T1", 450, 9000),
    (206, "T4", 250, 4800),
    (186, "T2", 400, 8000),
    (214, "T3", 400, 4500),
)

WORKING_DAY = _BAY_A + _BAY_B + _BAY_C + _DELIVERIES
PROFILES = tuple(transfer for transfer in WORKING_DAY if transfer.tag in ("T4", "T5", "T6"))
"""The part of the day that runs where T1 to T3 are left to bay B and to whoever rehearses there."""
