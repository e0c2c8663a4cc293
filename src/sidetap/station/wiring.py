"""Between the scheme's names and a module's bits: which input is which, which coil, and whether to believe them.

Scheme outputs -> wanted coils; read bits -> scheme inputs. An input that is old, or whose module does not confirm
its outputs, is false: inputs are healthy when energised, so false never permits anything. The watchdog's coil
follows the scheme's, which changes with every scan, while all is well, and stands still otherwise: the hard-wired
relay then opens the supply.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sidetap.errors import Refused
from sidetap.line import Settings
from sidetap.quantity import NS_PER_S
from sidetap.scheme import Value
from sidetap.site.model import Site
from sidetap.station.outputs import Master


class Wiring:
    """The one module of a site, its master, and the names of its bits."""

    def __init__(self, site: Site, now_ns: int) -> None:
        if len(site.modules) != 1:
            raise Refused(
                str(site.path),
                f"the site has {len(site.modules)} modules",
                "This version drives exactly one; put all inputs and outputs on one.",
            )
        self.module = site.modules[0]
        self._age_ns = min(wired.max_age_ns for wired in site.inputs)
        self._bits = {wired.tag: (wired.bit, wired.max_age_ns) for wired in site.inputs}
        self._coils = {f"{valve.tag}.command": valve.output.coil for valve in site.valves}
        self._coils |= {f"{bay.tag}.pump": bay.pump_permit.coil for bay in site.bays}
        self._closing = _mask(self._coils.values())
        assert site.horn is not None  # noqa: S101  # run refuses a site that only listens
        assert site.watchdog is not None  # noqa: S101  # the same
        self._coils["site.horn"] = site.horn.coil
        self._watchdog = 1 << site.watchdog.output.coil
        self._watchdog_on = False
        self._coil_count = _whole_bytes(max(*self._coils.values(), site.watchdog.output.coil))
        self._input_count = _whole_bytes(max(wired.bit for wired in site.inputs))
        self.restart(now_ns)

    def restart(self, now_ns: int) -> None:
        """Begin again on a port that was opened just now: listen first, believe nothing from before."""
        self.master = Master(
            device=self.module.device,
            coil_count=self._coil_count,
            input_count=self._input_count,
            closing=self._closing,
            character_ns=Settings(self.module.baud, self.module.framing).character_ns,
            now_ns=now_ns,
        )

    def live(self, now_ns: int) -> bool:
        """Return whether inputs are fresh and outputs confirmed."""
        return self.trouble(now_ns) is None

    def trouble(self, now_ns: int) -> str | None:
        """Return the sentence that says why the module is not live, or None."""
        tag, master = self.module.tag, self.master
        if (stranger := master.stranger) is not None:
            return f"{tag}'s port is not my line; nothing is sent until that is put right and I restart: {stranger}"
        left_ns = master.listening_ns(now_ns)
        if left_ns > 0:
            return f"{tag}'s port is listened to before the first byte, {-(-left_ns // NS_PER_S)} s more"
        if master.inputs_ns is None:
            return f"module {tag} has not answered yet"
        if now_ns - master.inputs_ns > self._age_ns:
            return f"module {tag} has not answered for {_seconds(now_ns - master.inputs_ns)} s"
        if master.confirmed_ns is None or now_ns - master.confirmed_ns > self._age_ns:
            return f"module {tag} does not confirm its outputs"
        return None

    def inputs(self, now_ns: int) -> dict[str, bool]:
        """Return every wired input by its tag, and the module's ``live``."""
        live = self.live(now_ns)
        asked_ns = self.master.inputs_ns
        values = {f"{self.module.tag}.live": live}
        for tag, (bit, max_age_ns) in self._bits.items():
            fresh = live and asked_ns is not None and now_ns - asked_ns <= max_age_ns
            values[tag] = fresh and bool(self.master.inputs >> bit & 1)
        return values

    @property
    def closing_is_out(self) -> bool:
        """Whether every closing asked for has been sent."""
        return self.master.closing_is_out

    @property
    def all_closed(self) -> bool:
        """Whether everything that could pass liquid is off, and was read back as off."""
        return self.master.reads_anew and self.master.reads_off(self._closing)

    def command(self, outputs: Mapping[str, Value], now_ns: int) -> None:
        """Take the outputs of a scan and start the cycle that sends them.

        The watchdog also changes while nothing is wanted on and everything is read back as off: that is what shows,
        after a start, that the module follows.
        """
        if self.live(now_ns) or self.master.reads_off(self._closing):
            self._watchdog_on = bool(outputs["site.watchdog"])
        coils = _mask(coil for name, coil in self._coils.items() if outputs[name])
        self.master.want(coils | (self._watchdog if self._watchdog_on else 0))


def _mask(numbers: Iterable[int]) -> int:
    mask = 0
    for number in numbers:
        mask |= 1 << number
    return mask


def _whole_bytes(highest: int) -> int:
    """Return how many bits to ask for, whole bytes, so that a bit of this number is among them."""
    return (highest // 8 + 1) * 8


def _seconds(duration_ns: int) -> str:
    return f"{duration_ns / NS_PER_S:.1f}"
