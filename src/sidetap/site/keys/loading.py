"""The keys of what acts: modules and their inputs, bays, valves, rules between them, alarms, and people."""

from sidetap.quantity import Dimension
from sidetap.site.keys.forms import (
    Choice,
    Duration,
    Fact,
    Inner,
    Key,
    Length,
    Many,
    Quantity,
    Reference,
    Tag,
    Text,
    Texts,
    TimeOfDay,
    Whole,
)
from sidetap.site.keys.listening import FRAMINGS

ROLES = ("operator", "lead", "engineer", "approver")
ASKS_FOR_BYPASS, APPROVES_BYPASS = ("operator", "lead", "engineer"), ("lead", "engineer", "approver")
ONE_VALVE, QUIET_HOURS, EXCLUSIVE, SHARED, VOTE = RULES = (
    "one-valve-per-bay",
    "quiet-hours",
    "exclusive-vessel",
    "shared-only-above",
    "trip-vote",
)
BELOW, ABOVE = "below", "above"  # the states that need a level
FACT_STATES = {  # what can be said of a thing, by the kind of its table
    "input": ("on", "off"),
    "valve": ("open", "closed"),
    "vessel": (BELOW, ABOVE, "bad", "old", "tripped"),
    "bay": ("ticket", "no-ticket"),
}
_SAYINGS = ", ".join(
    f"{'an' if kind[0] in 'aeiou' else 'a'} {kind} "
    + " ".join(f"`{state} LEVEL`" if state in (BELOW, ABOVE) else f"`{state}`" for state in states)
    for kind, states in FACT_STATES.items()
)
DECIDED = ("open", "closed", "tripped", "ticket", "no-ticket")  # by the scheme; the rest only reaches it
ACTS = "needed as soon as a site acts: a file without modules, inputs, bays and valves only shows levels"
_COIL = '{ module = "IO-1", coil = 0 }'

WIRING = (
    Key("module", Many(), "[[module]] tables", ACTS, True),
    Key("module.tag", Tag(), '"IO-1"'),
    Key("module.kind", Choice(("modbus-rtu",)), '"modbus-rtu"'),
    Key(
        "module.port",
        Text(),
        '"/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.0-port0"',
        "as a line's; never a line's own",
    ),
    Key("module.serial", Text(), '"IO0002"', "of the adapter", optional=True),
    Key("module.baud", Whole(300, 1_000_000), "19200"),
    Key("module.framing", Choice(FRAMINGS), '"8E1"'),
    Key("module.device", Whole(1, 247), "1", "address"),
    Key(
        "module.drops_out_after",
        Duration("100 ms", "60 s"),
        '"2 s"',
        "the module opens its own outputs when it hears nothing for so long",
    ),
    Key(
        "module.coils",
        Whole(1, 2000),
        "16",
        "how many outputs it has; then `check` finds a coil that isn't there",
        True,
    ),
    Key("module.bits", Whole(1, 2000), "40", "how many inputs it has", True),
    Key(
        "watchdog",
        Inner(),
        '{ module = "IO-1", coil = 15, kind = "transistor", relay_time = "2 s" }',
        "needed like a module",
        True,
    ),
    Key("watchdog.module", Reference("module"), '"IO-1"'),
    Key("watchdog.coil", Whole(0, 65_535), "15"),
    Key(
        "watchdog.kind",
        Text(),
        '"transistor"',
        "into a retriggerable timing relay; a relay's contact is refused, it wears out and can weld shut",
    ),
    Key(
        "watchdog.relay_time",
        Duration("100 ms", "10 s"),
        '"2 s"',
        "of the timing relay: three scans or more",
    ),
    Key("horn", Inner(), '{ module = "IO-1", coil = 14 }', "needed like a module", True),
    Key("horn.module", Reference("module"), '"IO-1"'),
    Key("horn.coil", Whole(0, 65_535), "14"),
    Key("input", Many(), "[[input]] tables", ACTS, True),
    Key("input.tag", Tag(), '"HS-B-AUTO"'),
    Key("input.module", Reference("module"), '"IO-1"'),
    Key("input.bit", Whole(0, 65_535), "0"),
    Key("input.max_age", Duration("10 ms", "60 s"), '"1 s"', "older counts as not energised: two scans or more"),
    Key(
        "input.when_off",
        Text(),
        '"the hose is not on"',
        "what that means, in the words that a driver reads",
        optional=True,
    ),
)

BAYS = (
    Key("bay", Many(), "[[bay]] tables", ACTS, True),
    Key("bay.tag", Tag(), '"B"'),
    Key("bay.name", Text(), '"Road"'),
    Key("bay.flow", Inner(), '{ value = "400 gpm", tolerance = "10 %", source = "measured" }'),
    Key("bay.flow.value", Quantity(Dimension.FLOW, "0.1 gpm", "10000 gpm"), '"400 gpm"'),
    Key(
        "bay.flow.tolerance",
        Quantity(Dimension.SHARE, "0 %", "100 %"),
        '"10 %"',
        "open limits must fit at so much more",
    ),
    Key("bay.flow.source", Text(), '"typed, to be measured"'),
    Key("bay.vehicle", Inner(), '{ capacity = "5000 gal", payload = "47000 lb" }', "the smallest that loads here"),
    Key("bay.vehicle.capacity", Quantity(Dimension.VOLUME, "1 L", "1000 m3"), '"5000 gal"'),
    Key("bay.vehicle.payload", Quantity(Dimension.MASS, "1 kg", "1000 t"), '"47000 lb"'),
    Key("bay.restarts", Whole(0, 5), "1", "openings of one ticket after the first"),
    Key("bay.restart_wait", Duration("1 s", "1 h"), '"60 s"'),
    Key(
        "bay.resume_by",
        Choice(ROLES),
        '"lead"',
        "the role that lets an interrupted ticket go on; somebody must hold it",
    ),
    Key("bay.selector", Inner(), '{ auto = "HS-B-AUTO", hand = "HS-B-HAND" }', "HAND / OFF / AUTO"),
    Key("bay.selector.auto", Reference("input"), '"HS-B-AUTO"'),
    Key("bay.selector.hand", Reference("input"), '"HS-B-HAND"'),
    Key("bay.stop_input", Reference("input"), '"XS-B"', "sees the stop circuit whole"),
    Key("bay.hose", Inner(), '{ input = "HC-B", left_after = "5 min" }'),
    Key("bay.hose.input", Reference("input"), '"HC-B"'),
    Key(
        "bay.hose.left_after",
        Duration("10 s", "1 h"),
        '"5 min"',
        "hose still on so long after the ticket's end: horn",
    ),
    Key(
        "bay.run_permissives",
        Texts(Reference("input")),
        '["HS-B-AUTO", "XS-B", "LSH-B", "HC-B"]',
        "inputs that must be energised all the time; AUTO, the stop circuit and the hose always among them",
    ),
    Key(
        "bay.hard_wired_stop",
        Text(),
        '"red button on the post; opens the 24 V supply of all valves of the bay"',
        "in series with the valves' supply, works without this tool",
        remedy="Say what opens the supply of the bay's valves by hand, without this tool; no bay runs without it.",
    ),
    Key("bay.pump_permit", Inner(), '{ module = "IO-1", coil = 8 }', "energised to run"),
    Key("bay.pump_permit.module", Reference("module"), '"IO-1"'),
    Key("bay.pump_permit.coil", Whole(0, 65_535), "8"),
    Key("bay.open_key", Reference("input"), '"PB-B-OPEN"', "energised while pressed"),
    Key("bay.close_key", Reference("input"), '"PB-B-CLOSE"', "energised while *not* pressed"),
    Key("bay.stuck_key_after", Duration("1 s", "60 s"), '"10 s"'),
    Key("bay.panel", Inner(), '{ lost_after = "5 s", screen = "15.6 in" }'),
    Key(
        "bay.panel.lost_after",
        Duration("1 s", "5 s"),
        '"5 s"',
        "the bay closes when its panel has been lost for so long",
    ),
    Key(
        "bay.panel.screen",
        Quantity(Dimension.LENGTH, "3 in", "100 in"),
        '"15.6 in"',
        "the screen's diagonal, for the size of what is shown",
    ),
    Key(
        "bay.panel.show",
        Inner(),
        '{ level = "m", volume = "L", flow = "L/min", mass = "kg" }',
        "units of this screen, keys as `site.show`",
        optional=True,
        default="the site's",
    ),
)

VALVES = (
    Key("valve", Many(), "[[valve]] tables", ACTS, True),
    Key("valve.tag", Tag(), '"B1"'),
    Key("valve.bay", Reference("bay"), '"B"'),
    Key("valve.from", Reference("vessel"), '"T1"', "the vessel"),
    Key("valve.open_limit", Duration("1 s", "4 h", whole_seconds=True), '"9 min 35 s"'),
    Key("valve.output", Inner(), _COIL),
    Key("valve.output.module", Reference("module"), '"IO-1"'),
    Key("valve.output.coil", Whole(0, 65_535), "0", "one coil, one use"),
    Key(
        "valve.fails",
        Text(),
        '"closed"',
        "without air or power; nothing else is accepted",
        remedy='A valve must close by its spring; write fails = "closed".',
    ),
    Key("valve.stroke", Duration("100 ms", "2 min"), '"6 s"', "from open to shut"),
    Key(
        "valve.supervise",
        Duration("200 ms", "5 min"),
        '"8 s"',
        "a switch against its command for so long: alarm and lock-out; longer than the stroke",
    ),
    Key("valve.closed_switch", Reference("input"), '"ZSC-B1"'),
    Key("valve.open_switch", Reference("input"), '"ZSO-B1"'),
)

BETWEEN = (
    Key("rule", Many(required=False), "[[rule]] tables", optional=True),
    Key("rule.tag", Tag(), '"R-1"'),
    Key(
        "rule.kind",
        Choice(RULES),
        '"one-valve-per-bay"',
        "this first one the scheme keeps in any case; written down, it is on record",
    ),
    Key(
        "rule.from",
        TimeOfDay(),
        '"23:30"',
        "levels are not polled: bays are blocked with the reason shown, alarms folded",
        only=(QUIET_HOURS,),
    ),
    Key("rule.to", TimeOfDay(), '"04:45"', "on the next day where it is earlier than `from`", only=(QUIET_HOURS,)),
    Key(
        "rule.vessel",
        Reference("vessel"),
        '"T2"',
        "that serves one bay at a time, or several only above a level",
        only=(EXCLUSIVE, SHARED),
    ),
    Key(
        "rule.bays",
        Texts(Reference("bay")),
        '["A", "B"]',
        "that may be served together, or that a vote closes",
        only=(SHARED, VOTE),
    ),
    Key(
        "rule.level", Length("0.1 mm", "30 m"), '"1.500 m"', "at or above it the second bay may open", only=(SHARED,)
    ),
    Key(
        "rule.close_below",
        Length("0.1 mm", "30 m"),
        '"1.450 m"',
        "there the bay that opened later closes",
        only=(SHARED,),
    ),
    Key(
        "rule.vessels",
        Texts(Reference("vessel")),
        '["T1", "T2", "T3"]',
        "whose low trips are counted; each still closes its own valves",
        only=(VOTE,),
    ),
    Key(
        "rule.at_least",
        Whole(1, 1000),
        "2",
        "so many tripped and not bypassed close every valve of the bays; 1 is any of them",
        only=(VOTE,),
    ),
    Key(
        "compatible",
        Inner(),
        '{ "32-0-0" = ["32-0-0"] }',
        "what may follow what in one manifold and vehicle; needed like a bay",
        True,
    ),
    Key(
        "compatible.PRODUCT",
        Texts(Text()),
        '["32-0-0", "28-0-0"]',
        "products that may follow PRODUCT on one ticket, signed by the client; one that isn't named is refused",
    ),
    Key("bypass", Inner(), '{ trips = ["T1"], time = "15 min", at_most = "60 min" }', "", optional=True),
    Key(
        "bypass.trips",
        Texts(Reference("vessel")),
        '["T1", "T2"]',
        "whose low trips two people may set aside, one at a time; nothing else ever",
    ),
    Key("bypass.time", Duration("1 s", "60 min"), '"15 min"', "unless they name another"),
    Key("bypass.at_most", Duration("1 s", "60 min"), '"60 min"'),
    Key("alarm", Many(required=False), "[[alarm]] tables", optional=True),
    Key("alarm.tag", Tag(), '"T1-high"'),
    Key("alarm.on", Text(), '"T1 above high"', "or `VESSEL below low`"),
    Key("alarm.delay", Duration("0 s", "10 min"), '"5 s"'),
    Key("alarm.dead_band", Length("0.1 mm", "5 m"), '"50 mm"'),
    Key("alarm.priority", Choice(("high", "low")), '"high"'),
    Key("promise", Many(required=False), "[[promise]] tables", "that `verify` checks beside its own", optional=True),
    Key("promise.tag", Tag(), '"P-1"'),
    Key("promise.text", Text(), '"nothing leaves the road bay without a ticket"', "what is promised, for people"),
    Key("promise.when", Texts(Fact()), '["B no-ticket", "T1 below 0.55 m"]', f"what must all be so: {_SAYINGS}"),
    Key(
        "promise.for",
        Duration("0 s", "1 h"),
        '"0 s"',
        "and stay so for so long",
        optional=True,
        default='"0 s"',
    ),
    Key(
        "promise.then",
        Texts(Fact()),
        '["B1 closed"]',
        "and then all of this is so in that scan, each a valve's, a trip's or a ticket's",
    ),
)

PEOPLE = (
    Key("people: person", Many(), "[[person]] tables", "one for everyone who works with the panel"),
    Key("people: person.name", Text(), '"Ines Varga"'),
    Key("people: person.role", Choice(ROLES), '"lead"'),
)

SECRETS = (
    Key("secrets: secret", Many(required=False), "[[secret]] tables", optional=True),
    Key("secrets: secret.person", Text(), '"Ines Varga"', "a name of the people's file"),
    Key(
        "secrets: secret.pin",
        Text(),
        '"scrypt$16384$8$1$c2lkZXRhcC1zYWx0LTE$2b7U1Yb0dJ8hT3m1S8m1xw"',
        "never the digits: `scrypt$N$R$P$SALT$HASH`, salt and hash in base64",
    ),
)
