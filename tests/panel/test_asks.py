import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.panel.asks import ASKS, for_station

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize(
    ("message", "passed"),
    [
        ({"ask": "alive"}, {"ask": "alive", "bay": "B"}),
        ({"ask": "close"}, {"ask": "close", "bay": "B"}),
        ({"ask": "open", "valve": "B1", "seq": 4}, {"ask": "open", "bay": "B", "valve": "B1"}),
        ({"ask": "choose", "valve": "B1"}, {"ask": "choose", "bay": "B", "valve": "B1"}),
        (
            {"ask": "ticket", "person": "Ines Varga", "vessels": ["T1"]},
            {"ask": "ticket", "bay": "B", "person": "Ines Varga", "vessels": ["T1"]},
        ),
        ({"ask": "end-ticket", "person": "P"}, {"ask": "end-ticket", "bay": "B", "person": "P"}),
        ({"ask": "resume", "person": "P"}, {"ask": "resume", "bay": "B", "person": "P"}),
        ({"ask": "reset-trip", "vessel": "T1", "person": "P"}, {"ask": "reset-trip", "vessel": "T1", "person": "P"}),
        ({"ask": "bypass", "vessel": "T1", "person": "P"}, {"ask": "bypass", "vessel": "T1", "person": "P"}),
        ({"ask": "end-bypass", "vessel": "T1", "person": "P"}, {"ask": "end-bypass", "vessel": "T1", "person": "P"}),
        ({"ask": "approve-bypass", "vessel": "T1"}, None),
        ({"ask": "reset-lockout", "person": "P"}, {"ask": "reset-lockout", "bay": "B", "person": "P"}),
    ],
)
def test_each_ask_becomes_the_stations(message: object, passed: object) -> None:
    assert for_station(message, "B") == passed


def test_no_page_can_ask_for_another_bay() -> None:
    assert for_station({"ask": "open", "bay": "A", "valve": "B1"}, "B") == {"ask": "open", "bay": "B", "valve": "B1"}


@pytest.mark.parametrize(
    "message",
    [
        None,
        [],
        "close",
        {},
        {"ask": ["close"]},
        {"ask": "shutdown"},
        {"ask": "open"},
        {"ask": "open", "valve": 1},
        {"ask": "open", "valve": ""},
        {"ask": "open", "valve": "x" * 201},
        {"ask": "ticket", "person": "P", "vessels": "T1"},
        {"ask": "ticket", "person": "P", "vessels": ["T1"] * 65},
        {"ask": "ticket", "person": "P", "vessels": [1]},
    ],
)
def test_what_is_no_ask_is_dropped(message: object) -> None:
    assert for_station(message, "B") is None


@given(JSON)
def test_nothing_but_the_listed_asks_and_fields_gets_through(message: object) -> None:
    passed = for_station(message, "B")
    assert passed is None or set(passed) <= {"ask", "bay", *ASKS[passed["ask"]]}


@given(st.sampled_from(sorted(ASKS)), st.dictionaries(st.sampled_from(["valve", "person", "vessels", "bay"]), JSON))
def test_an_ask_with_any_fields_is_whole_or_nothing(ask: str, fields: dict[str, object]) -> None:
    passed = for_station({**fields, "ask": ask}, "B")
    assert passed is None or (set(ASKS[ask]) <= set(passed) and passed.get("bay", "B") == "B")
