"""What can happen in the yard, as words that a person types: "hose on", "level T1 0.65 m", "silence 13".

One line in -> the yard changed, and a line that says so. The demo's terminal, tests and scripts all use these words.
"""

from collections.abc import Callable
from typing import cast

from sidetap.quantity import parse_length_01mm
from sidetap.yard import Bay, Yard
from sidetap.yard.bay import Selector

HELP = {
    "hose on|off": "the hose switch of bay B",
    "selector auto|hand|off": "the selector on the post",
    "stop pressed|released": "the hard-wired stop on the post",
    "probe wet|dry": "the truck's high probe",
    "open-key pressed|released": "the post's open key",
    "close-key pressed|released": "the post's close key",
    "level VESSEL LENGTH": "set a vessel's level, such as: level T1 0.65 m",
    "silence DEVICE": "a device on the line answers no more, such as: silence 11",
    "restore DEVICE": "it answers again",
    "truth": "what really is: levels, valves, loaded, bytes from us on the line",
}
BAY = "B"


def act(yard: Yard, line: str) -> str:
    """Do what line says and return what was done; ValueError says what it could have been."""
    words = line.split()
    if not words:
        raise ValueError(_usage())
    verb, rest = words[0], words[1:]
    if verb in _SWITCHES:
        states, switch = _SWITCHES[verb]
        if len(rest) != 1 or rest[0] not in states:
            raise ValueError(f"{verb} {'|'.join(states)}")
        switch(yard.bay(BAY), rest[0])
        return f"{verb} is {rest[0]}"
    if verb == "level" and len(rest) >= 2 and rest[0] in yard.vessels:
        before_mm = yard.vessels[rest[0]].level_mm
        yard.set_level(rest[0], parse_length_01mm(" ".join(rest[1:])) / 10)
        level_mm = yard.vessels[rest[0]].level_mm
        jump_s = abs(level_mm - before_mm) / 50  # the example's points may move 50 mm/s
        late = f"; a jump that the station believes after {jump_s:,.0f} s" if jump_s >= 1 else ""
        return f"{rest[0]} is at {level_mm:,.0f} mm{late}"
    if verb in ("silence", "restore") and len(rest) == 1 and rest[0].isdigit() and int(rest[0]) in yard.devices:
        (yard.silence_device if verb == "silence" else yard.restore)(int(rest[0]))
        return f"device {rest[0]} {'is silent' if verb == 'silence' else 'answers'}"
    if words == ["truth"]:
        return truth(yard)
    raise ValueError(_usage())


def truth(yard: Yard) -> str:
    """Return how things really are, for a person who could walk through the yard."""
    bay = yard.bay(BAY)
    levels = ", ".join(f"{tag} {vessel.level_mm:,.0f} mm" for tag, vessel in yard.vessels.items())
    valves = ", ".join(f"{tag} {valve.position:.0%} open" for tag, valve in bay.valves.items())
    return (
        f"{levels}; {valves}; loaded {bay.tanker.loaded_gal:,.0f} gal; "
        f"{yard.tap.bytes_written_to_line} bytes from us on the line"
    )


def _usage() -> str:
    return "say one of: " + "; ".join(HELP)


def _set_selector(bay: Bay, state: str) -> None:
    bay.selector = cast(Selector, state.upper())


def _flag(name: str, true_word: str) -> Callable[[Bay, str], None]:
    return lambda bay, state: setattr(bay, name, state == true_word)


_SWITCHES: dict[str, tuple[tuple[str, ...], Callable[[Bay, str], None]]] = {
    "hose": (("on", "off"), _flag("hose", "on")),
    "selector": (("auto", "hand", "off"), _set_selector),
    "stop": (("pressed", "released"), _flag("stop_healthy", "released")),
    "probe": (("wet", "dry"), _flag("probe_dry", "dry")),
    "open-key": (("pressed", "released"), _flag("open_key", "pressed")),
    "close-key": (("pressed", "released"), _flag("close_key_contact", "released")),
}
