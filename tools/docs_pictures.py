"""Makes again what the README shows: the demo's summary, and a picture of the panel while B1 is open.

The summary is what `sidetap demo --once` prints, between two marks in the README; the picture is taken of the real
panel on a live demo. A test compares the summary with a run.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from sidetap.rehearse.folder import prepare
from sidetap.rehearse.live import LiveDemo
from sidetap.rehearse.verified import verify_and_stamp

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
PICTURE = ROOT / "docs" / "panel.png"
MARKS = re.compile(r"(<!-- summary -->\n```text\n).*?(```\n<!-- /summary -->)", re.DOTALL)
READY_MS = 60_000


def summary() -> str:
    """Return what the demo prints in fast time."""
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "sidetap", "demo", "--once"]
        printed = subprocess.run(command, cwd=place, check=True, capture_output=True, text=True).stdout
    return "".join(line.rstrip() + "\n" for line in printed.splitlines())


def picture() -> None:
    """Open B1 on a live demo and take the panel's picture."""
    with (
        tempfile.TemporaryDirectory() as place,
        LiveDemo(prepare(Path(place) / "demo"), seed=1) as live,
        sync_playwright() as playwright,
    ):
        verify_and_stamp(live.folder.site)
        live.start()
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.set_default_timeout(READY_MS)
        page.goto(live.address)
        _load_from_t1(live, page)
        page.wait_for_timeout(20_000)
        page.screenshot(path=PICTURE)
        browser.close()


def _load_from_t1(live: LiveDemo, page: Page) -> None:
    page.locator("#state", has_text="Hose off").wait_for()  # the module has been listened to and is heard
    page.get_by_role("button", name="Open a ticket").click()
    page.locator("[data-person='Mara Odhiambo']").click()
    page.locator("[data-vessel='T1']").click()
    page.locator("#sheet .do").click()
    page.locator("#ticket", has_text="Mara Odhiambo").wait_for()
    live.tell("hose on")
    page.locator("#valve-B1 .key-open:enabled").click()


def main() -> None:
    """Make both."""
    print("docs: the demo's summary, into README.md")
    printed = summary()
    README.write_text(
        MARKS.sub(lambda m: m[1] + printed + m[2], README.read_text(encoding="utf-8")), encoding="utf-8"
    )
    print(f"docs: the panel's picture, {PICTURE.relative_to(ROOT)}")
    picture()


if __name__ == "__main__":
    main()
