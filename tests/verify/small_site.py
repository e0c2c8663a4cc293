"""Sites built by hand, so that this room's tests need no file: invented, one bay, one to three vessels."""

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.site.model import (
    Alarm,
    Bay,
    Density,
    Display,
    Input,
    LevelKind,
    LevelSource,
    Line,
    Module,
    Output,
    Point,
    Rule,
    Site,
    Trip,
    Uncertainty,
    Valve,
    Vehicle,
    Vessel,
    Watchdog,
)

GAL_M3 = Fraction(473176473, 125000000000)


def small_site() -> Site:
    """One bay and two vessels whose products may not follow each other; every time short, so that runs are short."""
    site = _site(
        [("T1", "32-0-0", 6000, 7000), ("T2", "10-34-0", 6000, 7000)],
        limits_s=[20, 25],
        mean_s=3,
        compatible=(("32-0-0", ("32-0-0",)), ("10-34-0", ("10-34-0",))),
    )
    return replace(
        site,
        bays=tuple(replace(b, restart_wait_ns=5 * NS_PER_S) for b in site.bays),
        valves=tuple(replace(v, stroke_ns=1 * NS_PER_S, supervise_ns=3 * NS_PER_S) for v in site.valves),
    )


def big_site() -> Site:
    """The bay and the vessels of the demo yard's first slice: 15 s means, limits of nine minutes and more."""
    return _site(
        [("T1", "32-0-0", 6000, 7000), ("T2", "28-0-0", 6000, 7000), ("T3", "10-34-0", 7000, 8000)],
        limits_s=[575, 595, 545],
        mean_s=15,
        compatible=(
            ("32-0-0", ("32-0-0", "28-0-0")),
            ("28-0-0", ("28-0-0", "32-0-0")),
            ("10-34-0", ("10-34-0",)),
        ),
    )


def with_restarts(site: Site, restarts: int) -> Site:
    """Return the site with another number of restarts on its bay."""
    return replace(site, bays=tuple(replace(b, restarts=restarts) for b in site.bays))


def _site(
    vessels: list[tuple[str, str, int, int]],
    limits_s: list[int],
    mean_s: int,
    compatible: tuple[tuple[str, tuple[str, ...]], ...],
) -> Site:
    day = date(2026, 1, 20)
    tags = ["HS-B-AUTO", "HS-B-HAND", "XS-B", "LSH-B", "HC-B", "PB-B-OPEN", "PB-B-CLOSE"]
    tags += [f"{kind}-B{n + 1}" for n in range(len(vessels)) for kind in ("ZSC", "ZSO")]
    return Site(
        path=Path("hand-made"),
        name="hand-made",
        time_zone="America/Chicago",
        show=Display("ft-in", "gal", "gpm", "lb"),
        scan_ns=100 * NS_PER_MS,
        lines=(Line("north", "pty:/dev/null", None, 19200, "8E1", None),),
        points=tuple(
            Point(
                tag=f"LT-{tag}",
                line="north",
                device=11 + n,
                table="holding-register",
                register=100,
                encoding="uint16",
                scale=Fraction(1),
                offset=Fraction(0),
                unit="mm",
                valid=(Fraction(0), Fraction(10)),
                good_when=(),
                max_step_m_per_s=None,
                poll_ns=NS_PER_S,
                warn_age_ns=3 * NS_PER_S,
                close_age_ns=5 * NS_PER_S,
                released=None,
            )
            for n, (tag, _, _, _) in enumerate(vessels)
        ),
        vessels=tuple(
            Vessel(
                tag=tag,
                name=tag,
                product=product,
                density=Density(Fraction(1300), "invented", day),
                geometry=cast(Any, None),  # the scheme knows levels, not volumes
                top_01mm=73150,
                level=LevelSource(f"LT-{tag}", LevelKind.HEIGHT),
                uncertainty=Uncertainty(30, Fraction(3, 1000)),
                high_01mm=69000,
                low_01mm=10000,
                trip=Trip(below, mean_s * NS_PER_S, 2 * NS_PER_S, reset),
            )
            for tag, product, below, reset in vessels
        ),
        modules=(Module("IO-1", "modbus-rtu", "pty:/dev/null", None, 19200, "8E1", 1, 2 * NS_PER_S),),
        watchdog=Watchdog(Output("IO-1", 15), "transistor", 2 * NS_PER_S),
        horn=Output("IO-1", 14),
        inputs=tuple(Input(tag, "IO-1", n, NS_PER_S) for n, tag in enumerate(tags)),
        bays=(
            Bay(
                tag="B",
                name="Road",
                flow_m3_per_s=400 * GAL_M3 / 60,
                flow_tolerance=Fraction(1, 10),
                flow_source="invented",
                vehicle=Vehicle(5000 * GAL_M3, Fraction(21319)),
                restarts=1,
                restart_wait_ns=60 * NS_PER_S,
                resume_role="lead",
                run_permissives=("HS-B-AUTO", "XS-B", "LSH-B", "HC-B"),
                auto_input="HS-B-AUTO",
                hand_input="HS-B-HAND",
                stop_input="XS-B",
                hose_input="HC-B",
                hose_left_after_ns=300 * NS_PER_S,
                hard_wired_stop="red button on the post",
                pump_permit=Output("IO-1", 8),
                open_key="PB-B-OPEN",
                close_key="PB-B-CLOSE",
                stuck_key_after_ns=10 * NS_PER_S,
                panel_lost_after_ns=5 * NS_PER_S,
                panel_screen="15.6 in",
            ),
        ),
        valves=tuple(
            Valve(
                tag=f"B{n + 1}",
                bay="B",
                vessel=tag,
                open_limit_ns=limits_s[n] * NS_PER_S,
                output=Output("IO-1", n),
                fails="closed",
                stroke_ns=6 * NS_PER_S,
                supervise_ns=8 * NS_PER_S,
                closed_switch=f"ZSC-B{n + 1}",
                open_switch=f"ZSO-B{n + 1}",
            )
            for n, (tag, _, _, _) in enumerate(vessels)
        ),
        rules=(Rule("R-1", "one-valve-per-bay"),),
        compatible=compatible,
        alarms=(Alarm("T1-high", "T1", "above", "high", 5 * NS_PER_S, 500, "high"),),
        people=(),
    )
