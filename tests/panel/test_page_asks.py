"""What the page asks when people press, touch and type."""

from __future__ import annotations

import pytest
from fake_station import FakeStation, bay, snapshot, ticket, valve, vessel, wait_until
from in_page import now, wait_for_page_clock
from playwright.sync_api import Page, expect


def others(station: FakeStation) -> list[dict[str, object]]:
    return [a for a in list(station.asks) if a["ask"] != "alive"]


def settle(page: Page) -> None:
    """Let the page live on long enough that a second ask would have been sent."""
    wait_for_page_clock(page, now(page) + 400)


def test_one_press_is_one_open(page: Page, station: FakeStation) -> None:
    page.locator("#valve-B1 .key-open").click()
    wait_until(lambda: station.asked("open"))
    settle(page)
    assert others(station) == [{"ask": "open", "bay": "B", "valve": "B1"}]


def test_a_double_press_is_one_open(page: Page, station: FakeStation) -> None:
    station.answers = False
    page.locator("#valve-B1 .key-open").dblclick(force=True)
    wait_until(lambda: station.asked("open"))
    settle(page)
    assert others(station) == [{"ask": "open", "bay": "B", "valve": "B1"}]


def test_repeats_of_a_held_key_never_press(page: Page, station: FakeStation) -> None:
    page.locator("#valve-B1 .key-open").focus()
    page.keyboard.down("Enter")
    wait_until(lambda: station.asked("open"))
    expect(page.locator("#valve-B1 .key-open")).to_be_enabled()  # answered: a press would count again
    page.locator("#valve-B1 .key-open").focus()
    for _ in range(12):
        page.keyboard.down("Enter")
    page.keyboard.up("Enter")
    settle(page)
    assert len(station.asked("open")) == 1


def test_keyboard_alone_reaches_and_presses(page: Page, station: FakeStation) -> None:
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Open B2":
            break
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    wait_until(lambda: others(station) == [{"ask": "open", "bay": "B", "valve": "B2"}])


def test_one_touch_is_a_close_before_the_finger_lifts(page: Page, station: FakeStation) -> None:
    page.locator("#close").hover()
    page.mouse.down()
    wait_until(lambda: station.asked("close"))
    page.mouse.up()
    settle(page)
    assert others(station) == [{"ask": "close", "bay": "B"}]


@pytest.mark.parametrize("key", ["Escape", "Enter"])
def test_close_by_keyboard(page: Page, station: FakeStation, key: str) -> None:
    if key == "Enter":
        page.locator("#close").focus()
    page.keyboard.press(key)
    wait_until(lambda: station.asked("close"))
    settle(page)
    assert others(station) == [{"ask": "close", "bay": "B"}]


def test_close_overtakes_an_open_that_waits_for_its_answer(page: Page, station: FakeStation) -> None:
    station.answers = False
    page.locator("#valve-B1 .key-open").click()
    expect(page.locator("#valve-B2 .key-open")).to_be_disabled()
    page.locator("#close").click()
    wait_until(lambda: station.asked("close"))
    assert [a["ask"] for a in others(station)] == ["open", "close"]


def test_close_is_one_action_even_under_a_sheet(page: Page, station: FakeStation) -> None:
    station.show(snapshot(bays=[bay(ticket=None)]))
    page.locator("#key-ticket").click()
    page.locator("#close").click()
    wait_until(lambda: station.asked("close"))


def test_a_close_without_an_answer_sends_to_the_red_button(page: Page, station: FakeStation) -> None:
    station.answers = False
    page.locator("#close").click()
    expect(page.locator("#answer")).to_have_text("Close could NOT be sent. Use the red button on the post.")
    expect(page.locator("#close")).to_be_enabled()


def test_a_refusal_is_shown_in_the_stations_words(page: Page, station: FakeStation) -> None:
    station.refusal = "B1 can't open: T1's level is late (3.4 s)"
    page.locator("#valve-B1 .key-open").click()
    expect(page.locator("#answer")).to_have_text("Not done: B1 can't open: T1's level is late (3.4 s)")
    expect(page.locator("#valve-B1 .key-open")).to_be_enabled()


def test_an_open_without_an_answer_is_said_and_not_sent_again(page: Page, station: FakeStation) -> None:
    station.answers = False
    page.locator("#valve-B1 .key-open").click()
    expect(page.locator("#answer")).to_have_text("No answer from the station. Look before you press again.")
    assert len(station.asked("open")) == 1


def test_what_may_not_open_has_no_key_to_press(page: Page, station: FakeStation) -> None:
    key = page.locator("#valve-B3 .key-open")
    expect(key).to_be_disabled()
    key.click(force=True)
    key.dispatch_event("click")
    settle(page)
    assert others(station) == []


def test_a_valve_is_chosen_for_the_posts_key(page: Page, station: FakeStation) -> None:
    expect(page.locator("#valve-B1 .key-choose")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#valve-B1 .key-choose")).to_have_text("Post key opens B1")
    page.locator("#valve-B2 .key-choose").click()
    wait_until(lambda: others(station) == [{"ask": "choose", "bay": "B", "valve": "B2"}])


def test_a_ticket_names_a_known_person_and_vessels(page: Page, station: FakeStation) -> None:
    station.show(snapshot(bays=[bay(ticket=None)]))
    page.locator("#key-ticket").click()
    go = page.locator("#sheet .do")
    expect(go).to_be_disabled()
    page.locator("[data-person='Ines Varga']").click()
    expect(go).to_be_disabled()
    page.locator("[data-vessel=T2]").click()
    page.locator("[data-vessel=T1]").click()
    page.locator("[data-vessel=T2]").click()  # and not this one
    page.locator("[data-person='Mara Odhiambo']").click()  # no, her
    expect(go).to_be_enabled()
    go.click()
    wait_until(lambda: others(station) != [])
    assert others(station) == [{"ask": "ticket", "bay": "B", "person": "Mara Odhiambo", "vessels": ["T1"]}]
    expect(page.locator("#sheet")).to_be_hidden()


@pytest.mark.parametrize(
    ("key", "doing", "ask"),
    [
        ("#key-end-ticket", "End the ticket", {"ask": "end-ticket", "bay": "B"}),
        ("#key-resume", "Resume", {"ask": "resume", "bay": "B"}),
        ("#key-reset-lockout", "Reset the lock-out", {"ask": "reset-lockout", "bay": "B"}),
        ("#lane-T1 .reset", "Reset the trip", {"ask": "reset-trip", "vessel": "T1"}),
        ("#lane-T1 .reset", "Ask for a bypass of 15:00", {"ask": "bypass", "vessel": "T1"}),
        ("#lane-T3 .reset", "Approve the bypass", {"ask": "approve-bypass", "vessel": "T3"}),
        ("#lane-T2 .checked", "Level checked", {"ask": "level-checked", "vessel": "T2"}),
    ],
)
def test_what_a_person_must_do_asks_who(
    page: Page, station: FakeStation, key: str, doing: str, ask: dict[str, str]
) -> None:
    expect(page.locator("#key-resume")).to_be_hidden()
    expect(page.locator("#key-reset-lockout")).to_be_hidden()
    expect(page.locator("#lane-T1 .reset")).to_be_hidden()
    expect(page.locator("#lane-T2 .checked")).to_be_hidden()
    mismatch = {"tag": "B2-mismatch", "priority": "high", "text": "B2 did not follow", "since_local": "10:20:00"}
    interrupted = bay(ticket=ticket(interrupted=True), valves=[valve("B1"), valve("B2"), valve("B3")])
    asked = {"runs": False, "asked_by": "Tobias Quell", "approved_by": None, "lasts_ms": 900_000, "left_ms": 42_500}
    vessels = [vessel("T1", tripped=True), vessel("T2", frozen=True), vessel("T3", bypass=asked)]
    station.show(snapshot(bays=[interrupted], alarms=[mismatch], vessels=vessels))
    page.locator(key).click()
    page.locator("[data-person='Ines Varga']").click()
    page.locator("#sheet .do").filter(has_text=doing).click()
    wait_until(lambda: others(station) == [{**ask, "person": "Ines Varga"}])


def test_a_live_page_says_alive_for_its_bay_every_second(page: Page, station: FakeStation) -> None:
    wait_until(lambda: len(station.asked("alive")) >= 1)
    began, count = now(page), len(station.asked("alive"))
    wait_until(lambda: len(station.asked("alive")) >= count + 3)
    assert 2000 <= now(page) - began <= 4500
    assert set(map(str, station.asked("alive"))) == {str({"ask": "alive", "bay": "B"})}
