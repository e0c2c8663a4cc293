"""A scheme in the making: its builder, what every part of it reads, and the alarms named so far."""

from __future__ import annotations

from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Builder, Expr, any_of, choose, elapsed
from sidetap.site.cause_effect.compiled import CompiledAlarm
from sidetap.site.model import Input, QuietHours, Site, in_order

AGE_LIMIT_MS = 3_600_000  # ages are counted up to an hour; older is no different


class Draft:
    """One program being built.

    first: whether this is the first scan. wired: inputs of modules, by tag. quiet: whether the site's clock is inside
    a rule's quiet hours, by the rule's tag.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self.b = Builder()
        self.alarms: list[CompiledAlarm] = []
        self._horn: list[tuple[str, Expr]] = []
        self.first = self.b.state_bool("site.first", True)
        self.b.assign("site.first", False)
        self._live = {module.tag: self.b.input_bool(f"{module.tag}.live") for module in in_order(site.modules)}
        self.wired = {wired.tag: self.b.input_bool(wired.tag) for wired in in_order(site.inputs)}
        quiet_hours = (rule for rule in in_order(site.rules) if isinstance(rule, QuietHours))
        self.quiet = {rule.tag: self.b.input_bool(f"{rule.tag}.quiet") for rule in quiet_hours}
        self._inputs = {wired.tag: wired for wired in site.inputs}

    def live(self, tag: str) -> Expr:
        """Return whether the module of an input is live, so that "not energised" is what the wire says."""
        return self._live[self._inputs[tag].module]

    def input(self, tag: str) -> Input:
        """Return an input of the site."""
        return self._inputs[tag]

    def alarm(self, tag: str, priority: str, text: str, active: Expr, exactly: str = "") -> None:
        """Name an alarm and its output; exactly: see CompiledAlarm."""
        self.b.output(f"alarm.{tag}", active)
        self.alarms.append(CompiledAlarm(tag, f"alarm.{tag}", priority, text, exactly))

    def sound(self, text: str, active: Expr) -> None:
        """Let the horn sound for something more."""
        self._horn.append((text, active))

    def horn(self) -> tuple[str, ...]:
        """Give the horn's output, and return all that sounds it in words."""
        self.b.output("site.horn", any_of(*(active for _, active in self._horn)))
        return tuple(text for text, _ in self._horn)


def counted_down(left_ms: Expr) -> Expr:
    """Return what is left of a time after this scan's elapsed part of it; 0 when it is over."""
    return choose(left_ms > elapsed(), left_ms - elapsed(), 0)


def ms(duration_ns: int) -> int:
    """Return a duration in the whole ms that a scheme counts in."""
    return duration_ns // NS_PER_MS
