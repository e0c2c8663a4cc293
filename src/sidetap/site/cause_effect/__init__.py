"""Site -> scheme: the cause and effect of every bay, compiled to one program of the block language.

Theory of operation, per bay. A *ticket* is opened by a known person for the bay and for some of its vessels. A
valve's command rises in the scan in which an open key (the post's or the panel's) rises while that valve is chosen
and no cause stands that keeps it from opening; it stays while none of those stands that also close. Closing wins in
the same scan, and nothing reopens by itself.

Open time is one account per ticket, in whole units of 1/full of any valve's limit, so that limits of several
vessels add up exactly: each ms with a command adds the valve's weight, and weight × limit in ms = full. Every
opening after the first adds one stroke in advance. The account is never cleared within a ticket; after a crash it
comes back at its worst (the last stored value + storing interval + watchdog + stroke).

Between bays. What a bay does in a scan depends on other bays only through what was before (commands, lock-outs) and
on what asks for their valves in this scan (keys and choice), never on a command that they get in this scan. So no
bay waits for another's answer, and each can be verified with its neighbours' inputs left free.

Names of inputs and outputs are `TAG.word`; inputs wired to a module keep the site file's tag. A wired input is
true when energised, and false when old or lost: true never means danger. The contact of a close key is energised
when the key is *not* pressed.
"""

from sidetap.site.cause_effect.account import STORE_INTERVAL_MS
from sidetap.site.cause_effect.compiled import (
    Cause,
    CompiledAlarm,
    CompiledBay,
    CompiledScheme,
    CompiledValve,
    CompiledVessel,
)
from sidetap.site.cause_effect.compiler import compile_site
from sidetap.site.cause_effect.draft import AGE_LIMIT_MS
from sidetap.site.cause_effect.vessels import LEVEL_LIMIT_01MM

__all__ = [
    "AGE_LIMIT_MS",
    "LEVEL_LIMIT_01MM",
    "STORE_INTERVAL_MS",
    "Cause",
    "CompiledAlarm",
    "CompiledBay",
    "CompiledScheme",
    "CompiledValve",
    "CompiledVessel",
    "compile_site",
]
