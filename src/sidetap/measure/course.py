"""Whether a level fell as evenly as its draw: what a volume by level difference rests on. Sans-I/O, no clock.

Volumes by level come in, each beside the nominal volume drawn by then; an objection goes out, or none. A difference
of two levels is the volume drawn only if nothing else moved the level: nothing delivered, nobody else drawing.

Theory of operation. While a draw lasts its course is kept as points. Over any stretch that should have taken the
watch's expected fall (20 mm) off the level, what was taken may differ from the pace of the whole draw by less than
the watch's seen fall (5 mm), one part in four. So a delivery of a quarter of the draw's flow is noticed however short
against the draw, if it lasts for a stretch; and a pump that slows down evenly over the draw is not taken for one. A
delivery from before the first to after the last point has an even course: how much was to be expected shows that one.
"""

from __future__ import annotations

from collections import deque

from sidetap.site.model import FrozenWatch

USUAL = FrozenWatch(expected_01mm=200, seen_01mm=50)  # where a vessel has no watch of its own (common practice)
_MOST_POINTS = 1000


class Course:
    """The course of the present draw, or of the last one."""

    def __init__(self, limits: FrozenWatch | None) -> None:
        self._limits = limits or USUAL
        self._points: deque[tuple[float, float, float]] = deque(maxlen=_MOST_POINTS)
        self._shared = self._received = self._drawing = False

    def draw(self, flows: int, receiving: bool) -> None:
        """Take how many valves draw from now on, and whether the receipt's input is energised."""
        if flows and not self._drawing:
            self._points.clear()
            self._shared = self._received = False
        self._drawing = flows > 0
        self._shared |= flows > 1
        self._received |= receiving

    def see(self, drawn_m3: float, volume_m3: float, area_m2: float) -> None:
        """Take a volume by level, the nominal volume drawn by its time, and the surface."""
        if self._drawing:
            self._points.append((drawn_m3, volume_m3, area_m2))

    def objection(self) -> str:
        """Return why the levels don't tell what one draw took, "" when they do."""
        if self._received:
            return "something was delivered meanwhile"
        if self._shared:
            return "another bay drew from it meanwhile"
        return "" if self._even() else "the level did not fall evenly: a delivery, or a flow that changed"

    def _even(self) -> bool:
        points = self._points
        if len(points) < 2:
            return True
        (first_drawn, first_m3, _), (last_drawn, last_m3, _) = points[0], points[-1]
        if last_drawn <= first_drawn:
            return True
        pace = (first_m3 - last_m3) / (last_drawn - first_drawn)
        expected_m, seen_m = self._limits.expected_01mm / 10_000, self._limits.seen_01mm / 10_000
        start = 0
        for drawn_m3, volume_m3, area_m2 in points:
            while start + 1 < len(points) and drawn_m3 - points[start + 1][0] >= expected_m * area_m2:
                start += 1
            should_m3 = drawn_m3 - points[start][0]
            off_m3 = points[start][1] - volume_m3 - pace * should_m3
            if should_m3 >= expected_m * area_m2 and abs(off_m3) >= seen_m * area_m2:
                return False
        return True
