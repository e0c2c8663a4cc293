"""Votes, lags, the start's hold, the site's own promises: what is read, and each slip told once at its place."""

from fractions import Fraction
from pathlib import Path

import pytest
from yard_copy import EXAMPLE, copy_yard

from sidetap.quantity import NS_PER_S
from sidetap.site import Loaded, Severity, load
from sidetap.site.canonical import canonical
from sidetap.site.cause_effect import compile_site
from sidetap.site.differences.meaning import meaning
from sidetap.site.facts import NoFact, parse_fact
from sidetap.site.keys import KEYS
from sidetap.site.limits import stop_after_trip_m3
from sidetap.site.model import Fact, OwnPromise, Site, TripVote

WHOLE = (EXAMPLE / "site.toml").read_text()
T4_TRIP = 'trip = { below = "0.60 m", mean = "5 s", delay = "2 s", reset_above = "0.80 m" }'


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_yard(tmp_path_factory.mktemp("votes"))


def loaded(yard: Path, more: str = "", *replaced: str) -> Loaded:
    text = WHOLE
    for old, new in zip(replaced[::2], replaced[1::2], strict=True):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (yard / "site.toml").write_text(f"{text}\n{more}")
    return load(yard / "site.toml")


def site_of(found: Loaded) -> Site:
    assert found.site is not None, [str(problem) for problem in found.problems]
    return found.site


def vote(**keys: str) -> str:
    rule = {"tag": '"V-1"', "kind": '"trip-vote"', "vessels": '["T1", "T2", "T3"]', "at_least": "2", "bays": '["B"]'}
    return "[[rule]]\n" + "".join(f"{key} = {value}\n" for key, value in {**rule, **keys}.items())


def promise(**keys: str) -> str:
    row = {"tag": '"P-9"', "text": '"what we want"', "when": '["T4 below 55 cm"]', "then": '["A4 closed"]'}
    return "[[promise]]\n" + "".join(f"{key} = {value}\n" for key, value in {**row, **keys}.items())


def test_what_is_written_is_what_is_read(yard: Path) -> None:
    lag = T4_TRIP.replace('mean = "5 s"', 'lag = "4 s"')
    more = vote() + promise(**{"for": '"2 s"', "when": '["T4 below 55 cm", "HC-A on"]'})
    site = site_of(loaded(yard, more, 'scan = "100 ms"', 'scan = "100 ms"\nstart_hold = "15 s"', T4_TRIP, lag))
    assert site.rules[-1] == TripVote("V-1", "trip-vote", ("T1", "T2", "T3"), 2, ("B",))
    below = Fact("T4", "below", 5500)
    then = (Fact("A4", "closed"),)
    assert site.promises[-1] == OwnPromise("P-9", "what we want", (below, Fact("HC-A", "on")), 2 * NS_PER_S, then)
    assert (site.vessel("T4").trip.mean_ns, site.vessel("T4").trip.lag_ns) == (0, 4 * NS_PER_S)
    assert site.start_hold_ns == 15 * NS_PER_S
    assert all(problem.severity is Severity.WARNING for problem in loaded(yard, more).problems)


def test_what_may_be_left_out_has_its_default(yard: Path) -> None:
    site = site_of(loaded(yard, promise()))
    assert site.start_hold_ns == 10 * NS_PER_S
    assert site.promises[-1].for_ns == 0


def test_a_promise_is_in_the_site_and_not_in_the_scheme(yard: Path) -> None:
    plain, more = site_of(loaded(yard)), site_of(loaded(yard, promise()))
    assert compile_site(plain).digest == compile_site(more).digest
    assert canonical(plain.promises) != canonical(more.promises)
    same = site_of(loaded(yard, promise(when='["T4 below 0.550 m"]')))
    assert canonical(same.promises) == canonical(more.promises)


def test_a_fact_means_the_same_in_any_unit() -> None:
    key = KEYS["promise.when"]
    assert meaning(key, ["T4 below 55 cm", "HC-A on"]) == meaning(key, ["HC-A on", "T4 below 0.550 m"])
    assert meaning(key, ["T4 below 55 cm"]) != meaning(key, ["T4 below 56 cm"])


@pytest.mark.parametrize(
    ("text", "fact"),
    [
        ("HC-B off", Fact("HC-B", "off")),
        ("  B1   closed ", Fact("B1", "closed")),
        ("T1 below 1 ft 6 in", Fact("T1", "below", 4572)),  # 18 × 25.4 mm
        ("T1 above 1 m", Fact("T1", "above", 10_000)),
        ("B no-ticket", Fact("B", "no-ticket")),
    ],
)
def test_a_fact(text: str, fact: Fact) -> None:
    assert parse_fact(text) == fact


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("B1", "no fact"),
        ("", "no fact"),
        ("B1 close", "no state"),
        ("T1 below", "below what level"),
        ("T1 below 1", "unit"),
        ("T1 below 0 m", "outside 0.1 mm to 30 m"),
        ("T1 below 31 m", "outside 0.1 mm to 30 m"),
        ("B1 closed now", "'now' after closed"),
    ],
)
def test_what_is_no_fact(text: str, says: str) -> None:
    with pytest.raises(NoFact) as caught:
        parse_fact(text)
    assert says in caught.value.problem
    assert caught.value.remedy


SLIPS = {
    "more-than-there-are": (vote(at_least="4"), "4\nbays", "rule.V-1.at_least", "4 of 3"),
    "none-at-all": (vote(at_least="0"), "0\nbays", "rule.V-1.at_least", "outside 1..1000"),
    "a-vessel-twice": (vote(vessels='["T1", "T2", "T1"]'), '"T1"]\nat', "rule.V-1.vessels", "T1 stands there twice"),
    "a-bay-twice": (vote(bays='["B", "B"]'), '"B"]', "rule.V-1.bays", "B stands there twice"),
    "an-unknown-vessel": (vote(vessels='["T1", "t2"]'), '"t2"', "rule.V-1.vessels", "no vessel 't2'"),
    "a-key-of-another-kind": (vote(level='"1 m"'), "level =", "rule.V-1.level", "no such key with kind"),
    "said-twice": (vote() + vote(tag='"V-2"'), '"trip-vote"\n', "rule.V-2.kind", "rule V-1 says"),
    "an-unknown-thing": (promise(then='["A5 closed"]'), '"A5 closed"', "promise.P-9.then", "no valve 'A5'"),
    "another-case": (promise(then='["a4 closed"]'), '"a4 closed"', "promise.P-9.then", "no valve 'a4'"),
    "a-point": (promise(when='["LT-4 below 1 m"]'), '"LT-4 below', "promise.P-9.when", "LT-4 is a point"),
    "a-contact-that-opens": (promise(when='["HC-B open"]'), '"HC-B open"', "promise.P-9.when", "no input is open"),
    "a-vessel-that-is-off-then": (promise(then='["T4 off"]'), '"T4 off"', "promise.P-9.then", "no vessel is off"),
    "a-point-then": (promise(then='["LT-4 above 1 m"]'), '"LT-4 above', "promise.P-9.then", "LT-4 is a point"),
    "a-vessel-that-is-on": (promise(when='["T4 on"]'), '"T4 on"', "promise.P-9.when", "no vessel is on"),
    "a-bay-that-is-closed": (promise(then='["A closed"]'), '"A closed"', "promise.P-9.then", "no bay is closed"),
    "over-the-top": (promise(when='["T4 above 5.4 m"]'), '"T4 above 5.4', "promise.P-9.when", "T4's top is at 5.4"),
    "a-level-without-a-unit": (promise(when='["T4 below 1"]'), '"T4 below 1"', "promise.P-9.when", "unit"),
    "nothing": (promise(when="[]"), "[]", "promise.P-9.when", "an empty list"),
    "never-so": (
        promise(when='["T4 below 1 m", "T4 above 1 m"]'),
        '"T4 above 1 m"',
        "promise.P-9.when",
        "never so at once",
    ),
    "both-ways": (promise(when='["HC-A on", "HC-A off"]'), '"HC-A off"', "promise.P-9.when", "never so at once"),
    "a-bad-level-is-none": (
        promise(when='["T4 bad", "T4 below 1 m"]'),
        '"T4 below 1 m"',
        "promise.P-9.when",
        "never so at once",
    ),
    "said-once-more": (
        promise(when='["HC-A on", "HC-A on"]'),
        '"HC-A on"]',
        "promise.P-9.when",
        "stands there twice",
    ),
    "of-itself": (promise(when='["A4 closed"]'), '"A4 closed"]\n', "promise.P-9.then", "is its own condition"),
    "nobody-decides-that": (promise(then='["HC-A on"]'), '"HC-A on"', "promise.P-9.then", "no scheme decides"),
    "two-of-one-tag": (promise(tag='"P-1"'), '"P-1"', "promise.P-1.tag", "is the tag of promise.P-1"),
    "a-tag-of-a-vessel": (promise(tag='"T1"'), '"T1"\ntext', "promise.T1.tag", "is the tag of vessel.T1"),
    "no-time": (promise(**{"for": '"-1 s"'}), '"-1 s"', "promise.P-9.for", "outside 0 s to 1 h"),
}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_told_at_its_place(yard: Path, name: str) -> None:
    more, at, where, says = SLIPS[name]
    found = loaded(yard, more)
    text = (yard / "site.toml").read_text()
    line = text.count("\n", 0, text.rindex(at)) + 1
    assert [(p.where, p.line, says in p.problem) for p in found.problems] == [(where, line, True)], found.problems
    assert found.problems[0].severity is Severity.ERROR


@pytest.mark.parametrize("word", ["drawn", "bypassed"])
def test_alarms_of_the_scheme_keep_their_tags(yard: Path, word: str) -> None:
    (problem,) = loaded(yard, "", 'tag = "T1-low"', f'tag = "T1-{word}"').problems
    assert (problem.where, "the scheme has anyway" in problem.problem) == (f"alarm.T1-{word}.tag", True)


def test_a_thing_renamed_is_told_once(yard: Path) -> None:
    more = promise(then='["A9 closed"]') + promise(tag='"P-8"', when='["A9 open"]')
    told = [p for p in loaded(yard, more).problems if "A9" in p.problem]
    assert ["named 2 times" in p.problem for p in told] == [True]


@pytest.mark.parametrize(
    ("vessels", "at_least", "bays", "warned"),
    [
        ('["T1"]', "1", '["B"]', False),  # closes B2 and B3 too
        ('["T5", "T6"]', "1", '["A"]', False),  # a bay may be closed by vessels that it doesn't draw from
        ('["T1", "T2", "T3"]', "2", '["B"]', False),  # B1 when T2 and T3 trip
        ('["T1", "T2", "T3"]', "3", '["B"]', True),  # then B1, B2 and B3 are closed anyway
    ],
)
def test_a_vote_that_closes_nothing_more(yard: Path, vessels: str, at_least: str, bays: str, warned: bool) -> None:
    found = loaded(yard, vote(vessels=vessels, at_least=at_least, bays=bays))
    site_of(found)
    assert [p.where for p in found.problems] == ["rule.V-1.at_least"] * warned


@pytest.mark.parametrize(
    ("filters", "where", "says"),
    [
        ('mean = "5 s", lag = "5 s"', "vessel.T4.trip.lag", "both a mean and a lag"),
        ("", "vessel.T4.trip.mean", "missing"),
        ('lag = "1500 ms"', "vessel.T4.trip.lag", "whole number of seconds"),
        ('lag = "61 s"', "vessel.T4.trip.lag", "outside 1 s to 60 s"),
    ],
)
def test_a_trip_has_one_filter(yard: Path, filters: str, where: str, says: str) -> None:
    trip = T4_TRIP.replace('mean = "5 s", ', f"{filters}, " if filters else "")
    found = loaded(yard, "", T4_TRIP, trip)
    assert [(p.where, says in p.problem) for p in found.problems] == [(where, True)]


@pytest.mark.parametrize(("hold", "fits"), [("999 ms", False), ("1 s", True), ("10 min", True), ("601 s", False)])
def test_the_hold_has_bounds(yard: Path, hold: str, fits: bool) -> None:
    found = loaded(yard, "", 'scan = "100 ms"', f'scan = "100 ms"\nstart_hold = "{hold}"')
    assert [p.where for p in found.problems] == ([] if fits else ["site.start_hold"])


def test_a_lag_is_late_by_its_time_constant(yard: Path) -> None:
    """Of an even fall, y' = (x - y) / T stays behind x by slope × T once settled (first-order lag, from memory)."""
    mean = site_of(loaded(yard))
    lag = site_of(loaded(yard, "", T4_TRIP, T4_TRIP.replace('mean = "5 s"', 'lag = "5 s"')))
    late = [stop_after_trip_m3(site.bay("A"), site.valve("A4"), site.vessel("T4")) for site in (mean, lag)]
    flow = mean.bay("A").flow_m3_per_s * Fraction(11, 10)
    assert late[1] - late[0] == flow * Fraction(5, 2)


@pytest.mark.parametrize(
    ("people", "fits"),
    [
        (("operator", "approver", "lead"), True),
        (("operator", "lead"), True),  # the lead approves what the operator asked for
        (("lead", "lead"), True),
        (("lead",), False),  # nobody approves their own
        (("lead", "operator", "operator"), True),
    ],
)
def test_a_bypass_takes_two_people(yard: Path, people: tuple[str, ...], fits: bool) -> None:
    kept = (yard / "people.toml").read_text()
    rows = (
        f'[[person]]\nname = "Person {letter}"\nrole = "{role}"\n'
        for letter, role in zip("ABC", people, strict=False)
    )
    (yard / "people.toml").write_text("".join(rows))
    found = loaded(yard)
    (yard / "people.toml").write_text(kept)
    assert [p.where for p in found.problems] == ([] if fits else ["bypass"])
