"""Is a level that should fall falling? The watch on frozen values and on draws without flow. Sans-I/O, no clock.

What the valves let out (nominal flows, from whoever commands them) and good levels come in; a state goes out, and a
sentence. It closes nothing: a frozen value is a bad level, and what that closes is the scheme's business.

Theory of operation. The watch reckons what the draw must have taken off the level since the *last good change*: the
nominal volume drawn since then, over the surface. Once that comes to the expected fall and less than the seen one has
come about, the value is frozen, or nothing flows. A fall is a good change while it keeps pace: at least seen/expected
of what was to be expected since the last one (a quarter, for 5 of 20 mm). So the reckoning starts at the very last
step of a value that freezes, while one that only creeps can't put it off. Falls count from the lowest level since
then, so that a last digit that flickers is no change.

A rise by the seen amount over that lowest level is no fall, but no frozen value either: something is being delivered,
or the liquid sloshes. The watch then begins anew from there, and says that it is suspended until the level falls
again; it is suspended altogether while the receipt's input is energised. A delivery that makes up for the draw to
within a quarter can't be told from a frozen value by a level: without an input it closes the bay. And while a liquid
sloshes by more than the seen amount, no flow can't be told from flow.

What is frozen stays so when its draw has ended, until the level has moved by the seen amount from where it stood, or
a person has checked it. What is drawn in several short openings adds up: a value that doesn't move doesn't move.

Volumes are floats and decide nothing: the fall expected is rounded down to 0.1 mm and compared as a whole number.
"""

from __future__ import annotations

from sidetap.measure.level_reading import WatchState
from sidetap.quantity import NS_PER_S
from sidetap.site.model import FrozenWatch

_OFF, _IDLE, _WATCHING, _SUSPENDED, _FROZEN = WatchState  # looked up once: a reading asks for the state each time

_DUST_01MM = 1e-6  # what floats may lack of a fall that is due exactly now
_LEAST_M2 = 1e-6  # of a surface: at the lowest line of a lying vessel there is none


class Watch:
    """The watch over one vessel's level; limits: None where the site gives none, then only the draw is reckoned."""

    def __init__(self, limits: FrozenWatch | None) -> None:
        self.flow_m3_per_s = 0.0
        self._flow_before_m3_per_s = 0.0  # until _since_ns
        self.receiving = False
        self._limits = limits
        self._drawn_m3 = 0.0  # nominally, up to _since_ns
        self._since_ns = 0
        self._changed: tuple[int, float] | None = None  # level and volume drawn at the last good change
        self._lowest_01mm = 0  # since then
        self._rising = False
        self._frozen: tuple[int, str] | None = None  # where the level stood, and what there is to say

    # -- in ----------------------------------------------------------------------------------------------------------

    def draw(self, flow_m3_per_s: float, receiving: bool, now_ns: int) -> None:
        """Take what is drawn from now_ns on, and whether the receipt's input is energised."""
        if flow_m3_per_s != self.flow_m3_per_s:
            self._drawn_m3, self._since_ns = self.drawn_m3(now_ns), now_ns
            if flow_m3_per_s > 0:
                self._rising &= self.flow_m3_per_s > 0  # what rose before the draw is no delivery during it
            self._flow_before_m3_per_s, self.flow_m3_per_s = self.flow_m3_per_s, flow_m3_per_s
        self.receiving = receiving
        if receiving:
            self._changed = None

    def see(self, level_01mm: int, area_m2: float, t_ns: int) -> None:
        """Take a good level, the area of its surface, and when it was on the wire."""
        limits = self._limits
        if limits is None:
            return
        if self._frozen is not None:
            if abs(level_01mm - self._frozen[0]) < limits.seen_01mm:
                return
            self.trust()
        if self.receiving:
            return
        drawn_m3 = self.drawn_m3(t_ns)
        if self._changed is None:
            self._begin(level_01mm, drawn_m3)
            return
        if level_01mm - self._lowest_01mm >= limits.seen_01mm:
            self._begin(level_01mm, drawn_m3)
            self._rising = True
            return
        self._lowest_01mm = min(self._lowest_01mm, level_01mm)
        changed_01mm, before_m3 = self._changed
        expected_01mm = int((drawn_m3 - before_m3) / max(area_m2, _LEAST_M2) * 10_000 + _DUST_01MM)
        fallen_01mm = changed_01mm - self._lowest_01mm
        if fallen_01mm > 0 and fallen_01mm * limits.expected_01mm >= expected_01mm * limits.seen_01mm:
            self._begin(self._lowest_01mm, drawn_m3)
        elif expected_01mm >= limits.expected_01mm:
            flow = self.flow_m3_per_s or self._flow_before_m3_per_s
            mm_per_min = round(flow / max(area_m2, _LEAST_M2) * 60_000)
            self._frozen = level_01mm, f"no flow, or a frozen value; expected -{mm_per_min} mm/min"

    def freeze(self, level_01mm: int, text: str) -> None:
        """Take up a frozen value that an earlier run has found."""
        self._frozen = level_01mm, text

    def trust(self) -> None:
        """Begin anew: the value has moved, or a person has checked it."""
        self._frozen = self._changed = None
        self._rising = False

    # -- out ---------------------------------------------------------------------------------------------------------

    @property
    def frozen(self) -> tuple[int, str] | None:
        """The level in 0.1 mm at which the value stands frozen, and the sentence; None while it doesn't."""
        return self._frozen

    def drawn_m3(self, t_ns: int) -> float:
        """Return the nominal volume drawn since the beginning, up to t_ns, also some time before the last change."""
        flow = self.flow_m3_per_s if t_ns >= self._since_ns else self._flow_before_m3_per_s
        return self._drawn_m3 + flow * ((t_ns - self._since_ns) / NS_PER_S)

    def state(self) -> tuple[WatchState, str]:
        """Return what the watch does, and what there is to say about it, "" when nothing."""
        if self._limits is None:
            return _OFF, ""
        if self._frozen is not None:
            return _FROZEN, self._frozen[1]
        if self.receiving:
            return _SUSPENDED, "watch on frozen values suspended: a delivery"
        if self._rising and self.flow_m3_per_s > 0:
            return _SUSPENDED, "watch on frozen values suspended: the level rises"
        return (_WATCHING if self.flow_m3_per_s > 0 else _IDLE), ""

    def _begin(self, level_01mm: int, drawn_m3: float) -> None:
        self._changed = level_01mm, drawn_m3
        self._lowest_01mm = level_01mm
        self._rising = False
