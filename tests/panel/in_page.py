"""What browser tests read out of a page, and what they reckon by themselves: sizes and contrasts."""

from __future__ import annotations

import itertools
import math
from typing import Any

from fake_station import Document, FakeStation
from playwright.sync_api import Page, expect

# the declared screen by Pythagoras: a 16:9 rectangle of 15.6 in, 1920 pixels wide
PX_PER_MM = 1920 / (15.6 * 25.4 * 16 / math.sqrt(337))

# every visible piece of text with its colour and the first opaque background beneath it
TEXTS = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const text = walk.currentNode.textContent.trim();
    const element = walk.currentNode.parentElement;
    if (!text || !element.checkVisibility() || element.closest("noscript") || element.closest("svg")) continue;
    let ground = element;
    let hatched = false;
    while (ground) {
      const style = getComputedStyle(ground);
      if (style.backgroundImage.includes("gradient") && style.backgroundColor === "rgba(0, 0, 0, 0)") hatched = true;
      if (style.backgroundColor !== "rgba(0, 0, 0, 0)") break;
      ground = ground.parentElement;
    }
    const style = getComputedStyle(element);
    found.push({ text, hatched, colour: style.color, size: parseFloat(style.fontSize),
                 ground: ground ? getComputedStyle(ground).backgroundColor : "rgb(255, 255, 255)" });
  }
  return found;
}"""

BOXES = """(selector) => [...document.querySelectorAll(selector)].filter((e) => e.checkVisibility()).map((e) => {
  const box = e.getBoundingClientRect();
  return { name: e.textContent.trim(), x: box.x, y: box.y, width: box.width, height: box.height };
})"""

# rows of a picture, each as the number of its dark pixels; and the picture in grey
ROWS = """async (png) => {
  const image = new Image();
  image.src = `data:image/png;base64,${png}`;
  await image.decode();
  const canvas = Object.assign(document.createElement("canvas"), { width: image.width, height: image.height });
  const context = canvas.getContext("2d");
  context.drawImage(image, 0, 0);
  const data = context.getImageData(0, 0, image.width, image.height).data;
  const grey = [];
  for (let i = 0; i < data.length; i += 4) grey.push(0.2126 * data[i] + 0.7152 * data[i + 1] + 0.0722 * data[i + 2]);
  const rows = [];
  for (let y = 0; y < image.height; y += 1) {
    rows.push(grey.slice(y * image.width, (y + 1) * image.width).filter((g) => g < 128).length);
  }
  return { rows, grey };
}"""


def rgb(colour: str) -> tuple[float, float, float]:
    """Return the channels of "rgb(1, 2, 3)"."""
    red, green, blue = (float(part) for part in colour[colour.index("(") + 1 : -1].split(",")[:3])
    return red, green, blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, definitions "contrast ratio" and "relative luminance")."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    linear = [
        c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4  # as corrected in WCAG 2.2
        for c in rgb(colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def boxes(page: Page, selector: str) -> list[dict[str, Any]]:
    """Return the boxes of all visible elements, in CSS pixels."""
    found: list[dict[str, Any]] = page.evaluate(BOXES, selector)
    return found


def now(page: Page) -> float:
    """Return the page's own monotonic clock, in ms."""
    moment: float = page.evaluate("performance.now()")
    return moment


def wait_for_page_clock(page: Page, moment_ms: float) -> None:
    """Wait until the page's clock says so; the page goes on living meanwhile."""
    page.evaluate("(t) => new Promise((done) => setTimeout(done, Math.max(0, t - performance.now())))", moment_ms)


SERIAL = itertools.count(1)


def show(page: Page, station: FakeStation, document: Document) -> None:
    """Show a document and wait until the page has drawn it."""
    mark = f"drawn {next(SERIAL)}"
    station.show({**document, "scheme_hash": mark})
    expect(page.locator("#scheme")).to_have_text(f"scheme {mark}")
