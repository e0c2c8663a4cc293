"""What the panel's tests share: a fake station, a panel server that can be killed, a browser."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

import pytest
from fake_station import FakeStation, fake_station, snapshot
from in_page import show
from panel_runner import PanelProcess
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, ViewportSize, expect, sync_playwright

SCREEN: ViewportSize = {"width": 1920, "height": 1080}
expect.set_options(timeout=20_000)  # the machine may be busy; what must be quick is measured by the page's own clock


@pytest.fixture(scope="session")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[FakeStation, PanelProcess]]:
    with fake_station(tmp_path_factory.mktemp("station") / "station.sock") as station:
        panel = PanelProcess(station.path)
        yield station, panel
        panel.end()


@pytest.fixture
def station(running: tuple[FakeStation, PanelProcess]) -> FakeStation:
    """The station that all tests share, as if new."""
    running[0].reset()
    return running[0]


@pytest.fixture
def panel(running: tuple[FakeStation, PanelProcess], station: FakeStation) -> PanelProcess:
    """The panel server that all tests share, for those that leave it as it is."""
    return running[1]


@pytest.fixture
def mortal(station: FakeStation) -> Iterator[PanelProcess]:
    """A panel server of the test's own, to be killed."""
    process = PanelProcess(station.path)
    yield process
    process.end()


@pytest.fixture(scope="module")  # not longer: while it runs, no other test can run an event loop
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield browser
        browser.close()


def open_page(context: BrowserContext, panel: PanelProcess) -> tuple[Page, list[str]]:
    """Return a page, and the list of what its policy blocks and what it throws: it must stay empty."""
    wrong: list[str] = []

    def note(message: ConsoleMessage) -> None:
        if "Content Security Policy" in message.text and "fallback" not in message.text:
            wrong.append(message.text)

    page = context.new_page()
    page.set_default_timeout(20_000)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", note)
    page.goto(panel.address)
    return page, wrong


@pytest.fixture
def new_page(browser: Browser) -> Iterator[Callable[[PanelProcess], Page]]:
    """Opens pages of the test's own."""
    all_wrong: list[list[str]] = []
    with contextlib.ExitStack() as contexts:

        def open_one(panel: PanelProcess) -> Page:
            page, wrong = open_page(contexts.enter_context(browser.new_context(viewport=SCREEN)), panel)
            all_wrong.append(wrong)
            return page

        yield open_one
    assert not any(all_wrong)


@pytest.fixture(scope="module")
def shared_page(browser: Browser, running: tuple[FakeStation, PanelProcess]) -> Iterator[tuple[Page, list[str]]]:
    with browser.new_context(viewport=SCREEN) as context:
        yield open_page(context, running[1])


@pytest.fixture
def page(shared_page: tuple[Page, list[str]], station: FakeStation) -> Iterator[Page]:
    """A page that is live, shows the usual snapshot and waits for nothing; shared, because loading takes long."""
    page, wrong = shared_page
    if page.locator("#sheet").is_visible():
        page.locator("#sheet .back").click()
    show(page, station, snapshot())
    page.wait_for_selector("body:not(.not-live)")
    page.wait_for_selector("#valve-B1 .key-open:enabled")
    station.asks.clear()
    yield page
    assert wrong == []
