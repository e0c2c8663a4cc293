"""A probe on the line: spans in, the moments at which a receiver's output changes out. Never touches the line."""

from sidetap.yard.uart import UNDRIVEN, Receiver
from sidetap.yard.wire import Span, Wire

Edge = tuple[int, int]
"""From this time in ns on, the receiver puts out this level."""


class Probe:
    """Sees every change of level behind a receiver, which may be swapped, with or without bias.

    edges: in order, first the level at which the line rests when the probe is clipped on, then one a change.
    """

    def __init__(self, wire: Wire, now_ns: int, *, inverted: bool = False, biased: bool = True) -> None:
        self._wire = wire
        self._receiver = Receiver(wire.settings, inverted=inverted, biased=biased)
        self.edges: list[Edge] = [(now_ns, self._receiver.rest)]
        wire.taps.append(self)

    def hear_span(self, span: Span) -> None:
        """Take a span that has ended."""
        for t_ns, level in self._wire.levels(span):
            seen = self._receiver.rest if level == UNDRIVEN else level ^ self._receiver.inverted
            if seen != self.edges[-1][1]:
                self.edges.append((t_ns, seen))
