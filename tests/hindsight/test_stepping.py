"""What would have become of loads: expected moments and volumes by hand from the example's limits and levels."""

from dataclasses import replace

from made_levels import GAL_M3, at_ns, example, levels

from sidetap.hindsight import Draw, Outcome, Series, Ticket, look_back
from sidetap.hindsight.stepping import level_inputs
from sidetap.quantity import NS_PER_S
from sidetap.site import Site
from sidetap.site.cause_effect import compile_site

SITE = example()
SCHEME = compile_site(SITE)


def drew(valve: str, start_s: float, end_s: float, gpm: float = 400) -> Draw:
    return Draw(valve, at_ns(start_s), at_ns(end_s), gpm / 60 * (end_s - start_s) * GAL_M3)


def tickets(*draws: Draw) -> list[Ticket]:
    """Each draw on a ticket of its own, as a station kept them."""
    return [Ticket(SITE.valve(draw.valve).bay, (draw,), n) for n, draw in enumerate(draws, 1)]


def outcomes(made: dict[str, Series], real: list[Ticket] | None = None, site: Site = SITE) -> list[Outcome]:
    scheme = SCHEME if site is SITE else compile_site(site)
    return list(look_back(site, scheme, made, real).outcomes)


def test_a_load_that_keeps_every_rule_is_the_same() -> None:
    (outcome,) = outcomes(levels(400, {"T1": [(103, 303, -400)]}))
    assert (outcome.verdict, outcome.cause, outcome.less_m3) == ("same", "", 0.0)


def test_a_load_longer_than_its_limit_is_closed_at_the_limit() -> None:
    """B1's open limit is 9 min 35 s: of 645 s at 400 gpm 70 s are lost, 467 gal."""
    (outcome,) = outcomes(levels(720), tickets(drew("B1", 60, 705)))
    assert (outcome.verdict, outcome.cause) == ("closed-early", "limit")
    assert abs(outcome.at_ns - at_ns(60 + 575)) <= NS_PER_S // 10
    assert abs(outcome.less_m3 / GAL_M3 - 400 / 60 * 70) < 1


def test_a_load_that_draws_below_the_trip_is_closed_by_it() -> None:
    """T1 stands at 0.64 m and falls 0.3843 mm/s from second 63 on: the level is at 0.60 m after 104 s.

    The mean of the last 15 whole seconds is some 8 s behind, then comes the delay of 2 s: 177 s, give or take the
    jitter of a step.
    """
    made = levels(320, {"T1": [(63, 293, -400)]}, {"T1": 0.64})
    (outcome,) = outcomes(made, tickets(drew("B1", 60, 290)))
    assert (outcome.verdict, outcome.cause) == ("closed-early", "trip")
    assert abs(outcome.at_ns - at_ns(177)) < 3 * NS_PER_S


def test_a_level_that_is_not_told_for_five_seconds_closes() -> None:
    """The last level before the silence is that of second 149: at its age of 5.0 s the valve closes."""
    (outcome,) = outcomes(levels(300, silent=[("T1", 150, 158)]), tickets(drew("B1", 60, 260)))
    assert (outcome.verdict, outcome.cause) == ("closed-early", "old")
    assert at_ns(154) <= outcome.at_ns <= at_ns(154.2)


def test_a_press_before_the_mean_has_filled_again_is_refused() -> None:
    """After a silence 15 whole seconds have to pass: ten seconds of patience are too few right behind it."""
    made = levels(300, silent=[("T1", 80, 95)])
    early, later = outcomes(made, tickets(drew("B1", 97, 150))), outcomes(made, tickets(drew("B1", 113, 150)))
    assert [(o.verdict, o.cause) for o in early] == [("refused", "window")]
    assert [o.verdict for o in later] == ["same"]


def test_an_answer_that_says_no_closes_and_a_quick_good_one_changes_nothing() -> None:
    made = levels(300)
    made["T1"].bad_ns.append(at_ns(150.4))
    (outcome,) = outcomes(made, tickets(drew("B1", 60, 260)))
    assert (outcome.verdict, outcome.cause) == ("closed-early", "bad")
    assert at_ns(150.4) <= outcome.at_ns <= at_ns(150.6)


def test_a_restart_on_one_ticket_needs_its_wait() -> None:
    """Bay B waits 60 s: pressed after 55 s it opens five seconds later; after 30 s the hands give up."""

    def second(after_s: float) -> Outcome:
        draws = drew("B1", 60, 100), drew("B1", 100 + after_s, 100 + after_s + 40)
        return outcomes(levels(400), [Ticket("B", draws, 7)])[1]

    late = second(55)
    assert (late.verdict, late.cause) == ("same", "wait")
    assert abs(late.opened_late_ns - 5 * NS_PER_S) <= NS_PER_S
    assert (second(30).verdict, second(30).cause) == ("refused", "wait")
    assert second(61).cause == ""


def test_a_vessel_that_serves_one_bay_at_a_time_refuses_the_second() -> None:
    """R-3: T2 serves bay B from second 60 to 200."""
    first, second, third = outcomes(
        levels(400), tickets(drew("B2", 60, 200), drew("A2", 100, 150), drew("A2", 220, 260))
    )
    assert (first.verdict, second.verdict, second.cause, third.verdict) == ("same", "refused", "R-3", "same")
    assert abs(second.less_m3 - second.draw.volume_m3) < 1e-9


def test_the_later_of_two_bays_closes_when_the_shared_vessel_gets_low() -> None:
    """R-5: at 1.50 m and more T1 serves A and B together; under 1.45 m the later one, A, closes, and B goes on.

    T1 stands at 1.52 m and falls at 600 gpm, 0.5765 mm/s, from second 63 on: 70 mm take 121 s, and the mean of 15 s
    follows some 8 s behind.
    """
    made = levels(300, {"T1": [(63, 280, -600)]}, {"T1": 1.52})
    first, second = outcomes(made, tickets(drew("B1", 60, 270), drew("A1", 61, 271)))
    assert (first.verdict, second.verdict, second.cause) == ("same", "closed-early", "R-5-low")
    assert abs(second.at_ns - at_ns(192)) < 3 * NS_PER_S
    low = levels(300, stands_m={"T1": 1.46})
    assert [o.verdict for o in outcomes(low, tickets(drew("B1", 60, 150), drew("A1", 80, 150)))] == [
        "same",
        "refused",
    ]


def test_a_trip_stands_until_the_level_is_up_again() -> None:
    """T1 at 0.65 m has tripped at 0.59 m before: refused, though it is above the trip; at 0.71 m it is reset."""

    def after(level_m: float) -> Outcome:
        made = levels(200, stands_m={"T1": level_m})
        for second in range(40):
            made["T1"].level_01mm[second] = 5_900
        return outcomes(made, tickets(drew("B1", 100, 150)))[0]

    assert (after(0.65).verdict, after(0.65).cause) == ("refused", "trip")
    assert after(0.71).verdict == "same"


def test_at_night_nothing_opens() -> None:
    """R-2: from 23:30 to 04:45 at the yard; the record is moved there, its loads with it."""
    night_ns = (23 - 9) * 3600 * NS_PER_S + 45 * 60 * NS_PER_S
    made = levels(200)
    for series in made.values():
        series.good_ns[:] = [t_ns + night_ns for t_ns in series.good_ns]
    draw = drew("B1", 60, 150)
    moved = replace(draw, start_ns=draw.start_ns + night_ns, end_ns=draw.end_ns + night_ns)
    assert [(o.verdict, o.cause) for o in outcomes(made, tickets(moved))] == [("refused", "R-2")]


def test_what_the_record_begins_with_is_not_judged() -> None:
    (cut,) = outcomes(levels(400, {"T1": [(-50, 200, -400)]}))
    assert cut.verdict == "unknown"
    early, outside = outcomes(levels(400), tickets(drew("B1", 5, 100), drew("B1", 300, 900)))
    assert (early.verdict, outside.verdict) == ("unknown", "unknown")


def test_years_of_silence_cost_nothing() -> None:
    """Two parts of a record, ten years apart (a clock that was set): the loads of both are judged, scan by scan."""
    years_ns = 10 * 365 * 86_400 * NS_PER_S
    made = levels(300)
    for series in made.values():
        series.good_ns += [t_ns + years_ns for t_ns in series.good_ns]
        series.level_01mm += series.level_01mm
    draw = drew("B1", 100, 200)
    moved = replace(draw, start_ns=draw.start_ns + years_ns, end_ns=draw.end_ns + years_ns)
    assert [o.verdict for o in outcomes(made, tickets(draw, moved))] == ["same", "same"]


def test_another_limit_gives_another_answer() -> None:
    """The same record under a site that allows a minute only."""
    short = replace(
        SITE, valves=tuple(replace(v, open_limit_ns=60 * NS_PER_S) if v.tag == "B1" else v for v in SITE.valves)
    )
    record = levels(400, {"T1": [(103, 303, -400)]})
    assert [o.verdict for o in outcomes(record)] == ["same"]
    assert [(o.verdict, o.cause) for o in outcomes(record, site=short)] == [("closed-early", "limit")]


def test_the_document_tells_what_the_outcomes_tell() -> None:
    found = look_back(SITE, SCHEME, levels(720, {"T1": [(63, 708, -400)]}))
    document = found.document(SITE)
    (load,) = document["loads"]
    assert list(document) == ["scheme_hash", "from_s", "to_s", "loads", "changes"]
    assert document["scheme_hash"] == SCHEME.digest
    assert (load["bay"], load["valve"], load["vessel"], load["ticket"]) == ("B", "B1", "T1", None)
    assert (load["verdict"], load["cause"]) == ("closed-early", "limit")
    assert abs(load["closed_s"] - load["start_s"] - 575) < 0.2
    assert abs(load["less_L"] / load["less_gal"] - 3.785411784) < 0.01


def test_what_a_scan_is_told_of_a_level() -> None:
    """A good level at 1 s, an answer that said no at 1.5 s: bad until the next good one, its age that of the good."""
    series = Series([at_ns(0), at_ns(1)], [34_800, 34_790], [at_ns(1.5)])
    told = [
        level_inputs("T1", series, at_ns(before), at_ns(now)) for before, now in ((0.9, 1.2), (1.2, 1.6), (1.6, 1.7))
    ]
    assert [(t["T1.level"], t["T1.new"], t["T1.bad"], t["T1.age"]) for t in told] == [
        (34_790, True, False, 200),
        (34_790, False, True, 600),
        (34_790, False, True, 700),
    ]
