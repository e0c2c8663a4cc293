"""The operator's page of one bay: a socket of the station in, HTTP and WebSocket out. It shows and asks.

Routes: `/` the page, `/screen.css` the scale of the declared screen, `/static/` modules, styles and words,
`/live` the WebSocket. Nothing is decided here and nothing is kept: what the page draws is the station's snapshot,
word for word, and every ask goes to the station.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from sidetap.panel.conversation import Conversation
from sidetap.panel.guard import Guard
from sidetap.panel.link import StationLink
from sidetap.panel.screen import Screen

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
LANGUAGE = "en"


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What the page says before the station has said anything.

    bay_name, site_name: for people. time_zone: IANA name, for the page's own times. stop: the bay's hard-wired stop,
    as it goes into "use the ...". screen: the declared screen.
    """

    bay_name: str
    site_name: str
    time_zone: str
    stop: str
    screen: Screen


def create_app(station_socket: Path, bay: str, facts: PageFacts, *, hosts: frozenset[str] = LOOPBACK) -> Starlette:
    """Return the application for the bay of that tag; hosts are the names it may be called by."""
    link = StationLink(station_socket)
    words = load_words()
    environment = Environment(
        loader=PackageLoader("sidetap.panel"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    page_text = environment.get_template("panel.html").render(bay=bay, facts=facts, words=words, language=LANGUAGE)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(link.run())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def page(request: Request) -> Response:
        return HTMLResponse(page_text)

    async def screen(request: Request) -> Response:
        return Response(facts.screen.stylesheet(), media_type="text/css")

    async def live(socket: WebSocket) -> None:
        await socket.accept()
        await Conversation(socket, link, bay, words).run()

    return Starlette(
        routes=[
            Route("/", page),
            Route("/screen.css", screen),
            WebSocketRoute("/live", live),
            Mount("/static", StaticFiles(directory=str(files("sidetap.panel") / "static"))),
        ],
        middleware=[Middleware(Guard, hosts=hosts)],
        lifespan=lifespan,
    )


def load_words(language: str = LANGUAGE) -> dict[str, str]:
    """Return the page's table of words: name -> text, where `{x}` stands for something filled in."""
    text = (files("sidetap.panel") / "static" / f"words.{language}.json").read_text(encoding="utf-8")
    words: dict[str, str] = json.loads(text)
    return words
