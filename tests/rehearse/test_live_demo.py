"""A person at the real panel in a browser, the real station, the simulated yard: three processes, the wall clock.

Durations are judged by the journal; only NOT LIVE is judged by the page's own clock.
"""

import json
import signal
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from in_page import wait_for_page_clock
from playwright.sync_api import Page, expect, sync_playwright
from stamped import stamp_as_verified

from sidetap.rehearse.folder import DemoFolder, prepare
from sidetap.rehearse.live import LiveDemo
from sidetap.site import load_or_refuse
from sidetap.station.store import Record, read_journal

PATIENCE_MS = 60_000  # the machine may be busy
SHORT_LIMIT_S = 20  # a limit of seconds for a demonstration: common practice, no source


def with_short_limit(folder: DemoFolder) -> None:
    """Let B1's open limit be short enough to watch."""
    document = tomlkit.parse(folder.site.read_text(encoding="utf-8"))
    valves: Any = document["valve"]
    valves[0]["open_limit"] = f"{SHORT_LIMIT_S} s"
    folder.site.write_text(tomlkit.dumps(document), encoding="utf-8")
    assert tomllib.loads(folder.site.read_text(encoding="utf-8"))["valve"][0]["tag"] == "B1"
    load_or_refuse(folder.site)


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveDemo]:
    folder = prepare(tmp_path / "demo")
    with_short_limit(folder)
    stamp_as_verified(folder.site)
    with LiveDemo(folder, seed=1) as live:
        live.start_field()
        live.tell("level T2 0.602 m")  # low already, so that a trip need not be waited for long
        live.start_station()
        live.start_panel()
        yield live


@pytest.fixture
def page(live: LiveDemo) -> Iterator[Page]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.set_default_timeout(PATIENCE_MS)
        expect.set_options(timeout=PATIENCE_MS)
        page.goto(live.address)
        yield page
        browser.close()


def records(live: LiveDemo, kind: str, subject: str) -> list[tuple[Record, dict[str, Any]]]:
    found, audit = read_journal(live.folder.state / "station.db")
    assert audit.ok
    return [(r, json.loads(r.what)) for r in found if r.kind == kind and r.subject == subject]


def open_under_ticket(live: LiveDemo, page: Page, valve: str, vessel: str) -> None:
    """Do what a driver does: end a ticket that still runs, hose off, ticket, hose on, open."""
    end = page.get_by_role("button", name="End the ticket")
    if end.is_visible():
        end.click()
        page.locator("[data-person='Mara Odhiambo']").click()
        page.locator("#sheet .do").click()
    live.tell("hose off")
    expect(page.locator("#state")).to_contain_text("Hose off")
    page.get_by_role("button", name="Open a ticket").click()
    page.locator("[data-person='Mara Odhiambo']").click()
    page.locator(f"[data-vessel='{vessel}']").click()
    page.locator("#sheet .do").click()
    expect(page.locator("#ticket")).to_contain_text("Mara Odhiambo")
    live.tell("hose on")
    expect(page.locator(f"#valve-{valve} .key-open")).to_be_enabled()
    page.locator(f"#valve-{valve} .key-open").click()
    expect(page.locator(f"#valve-{valve} .word")).to_have_text("Open", timeout=PATIENCE_MS)


def test_a_driver_at_the_panel(live: LiveDemo, page: Page) -> None:
    expect(page.locator("body")).not_to_have_class("not-live")
    expect(page.locator("#lane-T1 .level")).to_contain_text("11")

    # open B1, see the time count, see it close at the limit
    open_under_ticket(live, page, "B1", "T1")
    clock = page.locator("#time-left")
    first = clock.inner_text()
    expect(clock).not_to_have_text(first)
    expect(page.locator("#valve-B1 .word")).to_have_text("Closed")
    expect(page.locator("#state")).to_contain_text("the open time of this ticket is used up")
    opened, _ = records(live, "open", "B1")[-1]
    closed, what = records(live, "close", "B1")[-1]
    assert what["cause"] == "limit"
    # the scheme counts whole ms, each scan's start rounded down
    assert SHORT_LIMIT_S - 0.001 <= (closed.mono_ns - opened.mono_ns) / 1e9 <= SHORT_LIMIT_S + 0.4

    # see a low trip close it
    open_under_ticket(live, page, "B2", "T2")
    expect(page.locator("#valve-B2 .word")).to_have_text("Closed")
    expect(page.locator("#headline-words")).to_contain_text("T2 tripped on low level")
    assert records(live, "close", "B2")[-1][1]["cause"] == "trip"

    # see old data shown as dashes
    open_under_ticket(live, page, "B3", "T3")
    live.tell("silence 13")
    expect(page.locator("#valve-B3 .word")).to_have_text("Closed")
    expect(page.locator("#lane-T3 .level")).to_have_text("– – –")
    expect(page.locator("#lane-T3 .was")).to_contain_text("was ")
    assert records(live, "close", "B3")[-1][1]["cause"] == "old"

    # kill the server and see NOT LIVE; the bay closes 5 s after its panel is lost
    live.tell("restore 13")
    open_under_ticket(live, page, "B3", "T3")
    page.evaluate(
        """() => new MutationObserver(() => {
             if (document.body.classList.contains("not-live")) window.turnedAt ??= performance.now();
           }).observe(document.body, { attributes: true })"""
    )
    killed_ms = page.evaluate("performance.now()")
    killed_ns = time.time_ns()
    live.kill("panel")
    page.wait_for_selector("body.not-live")
    assert page.evaluate("window.turnedAt") - killed_ms < 2000
    expect(page.locator("#headline-mark")).to_contain_text("NOT LIVE since")
    expect(page.locator("#valve-B3 .key-open")).to_be_disabled()
    expect(page.locator("#close")).to_be_enabled()

    wait_for_page_clock(page, page.evaluate("window.turnedAt") + 6500)  # the page lives on, dead to the yard
    lost, what = records(live, "close", "B3")[-1]
    assert what["cause"] == "panel-lost"
    # 5 s after the page was last heard, which was up to a second and a little before the kill
    assert 3.5 <= (lost.utc_ns - killed_ns) / 1e9 <= 5.5
    assert live.tell("truth").endswith("; 0 bytes from us on the line")


def test_a_stopped_demo_leaves_nothing_running(tmp_path: Path) -> None:
    folder = prepare(tmp_path / "demo")
    stamp_as_verified(folder.site)
    with LiveDemo(folder, seed=1) as live:
        live.start()
        started = dict(live.processes)
    assert set(started) == {"field", "station", "panel"}
    assert started["field"].poll() == 0  # each ended by itself, in order, when asked
    assert started["station"].poll() == 0
    assert started["panel"].poll() in (0, -signal.SIGTERM)  # its server hands the signal on when it has shut down
    left = [p.name for p in (tmp_path / "demo").iterdir()]
    assert not {"line", "module", "field.sock"} & set(left)
