"""What the panel's tests share: a fake station, a panel server that can be killed, a browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from fake_station import FakeStation, fake_station
from panel_runner import PanelProcess
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright


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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def new_page(browser: Browser) -> Iterator[Callable[[PanelProcess], Page]]:
    """Opens pages on the declared screen. What the policy blocks, or throws, fails the test."""
    contexts, wrong = [], []

    def note(message: ConsoleMessage) -> None:
        if "Content Security Policy" in message.text and "fallback" not in message.text:
            wrong.append(message.text)

    def open_page(panel: PanelProcess) -> Page:
        context = browser.new_context(viewport={"width": 1920, "height": 1080})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", note)
        page.goto(panel.address)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert wrong == []


@pytest.fixture
def page(new_page: Callable[[PanelProcess], Page], panel: PanelProcess) -> Page:
    """A page that is live."""
    page = new_page(panel)
    page.wait_for_selector("body:not(.not-live)")
    return page
