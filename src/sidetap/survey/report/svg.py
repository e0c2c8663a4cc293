"""Shapes and words -> one SVG picture as text. All of it is escaped; no script, nothing from outside."""

from collections.abc import Iterable, Sequence

from markupsafe import Markup, escape


class Picture:
    """A picture that grows. All lengths in px of the page. name, summary: what a reader hears who can't see it."""

    def __init__(self, width: float, height: float, name: str, summary: str) -> None:
        self._width, self._height = width, height
        self._name, self._summary = name, summary
        self._parts: list[Markup] = []

    def rect(self, x: float, y: float, width: float, height: float, kind: str, title: str = "") -> None:
        """Draw a rectangle; title: shown when pointed at."""
        inner = Markup("<title>{}</title>").format(title) if title else Markup("")
        self._parts.append(
            Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}">{}</rect>').format(
                kind, _px(x), _px(y), _px(width), _px(height), inner
            )
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a line."""
        self._parts.append(
            Markup('<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"/>').format(kind, *map(_px, (x1, y1, x2, y2)))
        )

    def bars(self, columns: Iterable[tuple[float, float]], width: float, base: float, kind: str) -> None:
        """Draw bars (left edge, height) on a base line as one path; negative heights hang down."""
        steps = [
            f"M{_px(x)} {_px(base)}v{_px(-height)}h{_px(width)}v{_px(height)}z" for x, height in columns if height
        ]
        if steps:
            self._parts.append(Markup('<path class="{}" d="{}"/>').format(kind, "".join(steps)))

    def path(self, strokes: Iterable[Sequence[tuple[float, float]]], kind: str) -> None:
        """Draw lines through places (x, y), each stroke apart; a stroke of one place is a dot."""
        steps = [
            "M" + "L".join(f"{_px(x)} {_px(y)}" for x, y in (stroke if len(stroke) > 1 else [*stroke, *stroke]))
            for stroke in strokes
            if stroke
        ]
        if steps:
            self._parts.append(Markup('<path class="{}" d="{}"/>').format(kind, "".join(steps)))

    def bands(self, bands: Iterable[Sequence[tuple[float, float, float]]], kind: str) -> None:
        """Fill what lies between two lines, given as places (x, upper y, lower y), each band apart."""
        steps = [
            "M"
            + "L".join(f"{_px(x)} {_px(upper)}" for x, upper, _ in band)
            + "L"
            + "L".join(f"{_px(x)} {_px(lower)}" for x, _, lower in reversed(band))
            + "z"
            for band in bands
            if len(band) > 1
        ]
        if steps:
            self._parts.append(Markup('<path class="{}" d="{}"/>').format(kind, "".join(steps)))

    def circle(self, x: float, y: float, radius: float, kind: str, title: str) -> None:
        """Draw a circle; title: shown when pointed at."""
        self._parts.append(
            Markup('<circle class="{}" cx="{}" cy="{}" r="{}"><title>{}</title></circle>').format(
                kind, _px(x), _px(y), _px(radius), title
            )
        )

    def text(self, x: float, y: float, words: str, kind: str = "label", anchor: str = "start") -> None:
        """Write words; anchor: start, middle or end."""
        self._parts.append(
            Markup('<text class="{}" x="{}" y="{}" text-anchor="{}">{}</text>').format(
                kind, _px(x), _px(y), anchor, words
            )
        )

    def markup(self) -> Markup:
        """Return the picture."""
        head = Markup(
            '<svg viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img" aria-label="{name}: {summary}">'
            "<title>{name}</title><desc>{summary}</desc>"
        ).format(w=_px(self._width), h=_px(self._height), name=escape(self._name), summary=escape(self._summary))
        return head + Markup("").join(self._parts) + Markup("</svg>")


def _px(length: float) -> str:
    return f"{length:.2f}".rstrip("0").rstrip(".")
