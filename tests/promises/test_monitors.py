"""What the judges keep in mind, counted by hand along a few courses of the small site.

Its valve B1 has a limit of 20 s and 5 units a ms, B2 25 s and 4 units; an account of 100,000 is full, a stroke is
1 s, the watchdog's relay holds for 2 s, a mean takes 3 s and a delay 2 s.
"""

from dataclasses import replace

from small_site import small_site

from sidetap.promises.build import build_model
from sidetap.promises.model import CRASH
from sidetap.scheme import GeneratedRunner, Value
from sidetap.site.cause_effect import compile_site
from sidetap.verify.course import LATE, Course, Event, Plant
from sidetap.verify.scripts import loading

SITE = replace(small_site(), start_hold_ns=0)
MODEL = build_model(SITE, compile_site(SITE).program)
BAY = SITE.bays[0]
RUNNER = GeneratedRunner(MODEL.program)


def states_after(course: Course) -> dict[str, Value]:
    plant, states = Plant(MODEL, course), RUNNER.first_states()
    for elapsed_ms, inputs in plant.scans():
        states, outputs = RUNNER.step(states, inputs, elapsed_ms)
        plant.commands = {v.tag: bool(outputs[f"{v.tag}.command"]) for v in SITE.valves}
    return states


OPENING, OPEN_MS = loading(SITE, BAY, 1)


def test_the_true_account_adds_what_flowed() -> None:
    after = states_after(Course(tuple(OPENING), OPEN_MS + 4_000))
    assert after["judge.B.true_account"] == after["judge.B.reckoned"] == 5 * 4_000
    assert after["judge.B1.open_ms"] == 4_000
    assert after["judge.B.openings"] == 1


def test_after_a_crash_the_relay_s_time_has_flowed_and_the_worst_is_reckoned() -> None:
    """Crash 2.5 s after the opening, the start 5 s later: 2.5 s + 2 s have flowed, 2 s are on disk."""
    crash_ms = OPEN_MS + 2_600
    crash = (Event(crash_ms, CRASH, True, 100), Event(crash_ms, LATE, 5_000, 100))
    after = states_after(Course((*OPENING, *crash), crash_ms + 5_000))
    assert after["judge.B.true_account"] == 5 * (2_500 + 2_000)
    assert after["stored.B.account"] == 5 * 2_000
    assert after["judge.B.reckoned"] == 5 * (2_000 + 1_000 + 2_000 + 1_000)
    assert after["judge.B.interrupted"] is True
    assert after["judge.B1.open_ms"] == 0


def test_a_second_opening_costs_a_stroke_at_once() -> None:
    close_ms = OPEN_MS + 2_000
    events = (Event(close_ms, "B.panel_close", True, 100), Event(close_ms + 6_000, "PB-B-OPEN", True, 500))
    after = states_after(Course((*OPENING, *events), close_ms + 7_000))
    assert after["judge.B.openings"] == 2
    assert after["judge.B.true_account"] == 5 * (2_000 + 1_000 + 1_000)


def test_a_new_ticket_starts_at_nothing_only_after_the_hose_was_off() -> None:
    end_ms = OPEN_MS + 3_000
    again = (Event(end_ms, "B.ticket_end", True, 100), Event(end_ms + 1_000, "B.ticket_open", True, 100))
    kept = states_after(Course((*OPENING, *again), end_ms + 2_000))
    assert (kept["judge.B.ticket"], kept["judge.B.true_account"]) == (False, 5 * 3_000)
    off = Event(end_ms + 500, "HC-B", False, 200)
    fresh = states_after(Course((*OPENING, *again, off), end_ms + 2_000))
    assert (fresh["judge.B.ticket"], fresh["judge.B.true_account"]) == (True, 0)


def test_a_module_that_is_not_heard_is_no_hose_off() -> None:
    end_ms = OPEN_MS + 3_000
    again = (Event(end_ms, "B.ticket_end", True, 100), Event(end_ms + 1_000, "B.ticket_open", True, 100))
    lost = Event(end_ms + 500, "IO-1.live", False, 200)
    after = states_after(Course((*OPENING, *again, lost), end_ms + 2_000))
    assert after["judge.B.ticket"] is False


def test_the_trip_latches_when_the_mean_has_been_below_for_the_delay() -> None:
    """The first level comes at 1 s, in a scan of 100 ms, so that seconds end at 1.9, 2.9 ...; low from 5 s on.

    At 7.9 s the third low second is complete, at 9.9 s the delay is over.
    """
    low = Event(5_000, "T1.level", 5_999)
    assert states_after(Course((low,), 9_800))["judge.T1.latched"] is False
    assert states_after(Course((low,), 9_900))["judge.T1.latched"] is True
    reset = Event(10_500, "T1.reset", True, 100)
    assert states_after(Course((low, reset), 11_000))["judge.T1.latched"] is True
    up = Event(10_000, "T1.level", 7_000)
    reset = Event(13_500, "T1.reset", True, 100)
    assert states_after(Course((low, up, reset), 14_000))["judge.T1.latched"] is False
