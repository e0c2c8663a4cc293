"""The parts of a site file that no listening can tell, as commented lines with question marks to fill in."""

TOP = """\
# First site file: what was heard on one line, with the evidence, for an engineer to complete.
# Nothing in it is confirmed on anybody's behalf: who checked the tap, dipped a vessel or agreed on a limit
# says so in this file, and nobody else does.
#
# Before anything else: this tool is no safety system, no emergency stop, no overfill protection and no trade
# meter. Limits, trips and permissives in this file are the owner's decision, taken with people who are licensed
# to take it; local codes come first. Every bay needs a hard-wired stop that works without this tool.
#
# How to go on: a commented key with a question mark waits for you. Write what you know in place of the mark and
# take the leading "# " away. `sidetap check` names all that is still missing, with place and remedy.
# docs/site-file.md explains every key. Quantities are text with their units.
format = 1
# people = "?"  # the file with the names and roles of those who work with the panel, people.toml say

[site]
# name = "?"  # shown on every page
# time_zone = "?"  # an IANA name, like America/Chicago
# show = { level = "?", volume = "?", flow = "?", mass = "?" }  # units for people: ft-in, gal, gpm, lb say
scan = "100 ms"  # how often the scheme is stepped
"""

TAP = """\
# The tap is never written. But an adapter that keys its transmitter by RTS drives the plant's line whenever its
# port is opened; software can clear that at once, only hardware can keep it down: a receive-only adapter, or
# its transmit enable tied off. So write down who checked that, and when, after it has been checked. These words
# count as the state: disabled in hardware. Without the statement the station does not run.
# transmitter = { state = "?", checked_by = "?", on = ? }  # a date like 2026-01-31
"""

SHAPES = """\
# Each vessel has either a strapping table or a shape, like a vertical-cylinder with diameter, height and bottom =
# "flat", or a horizontal-cylinder with diameter, length and heads; `sidetap site explain vessel.shape` tells all
# kinds. Measure, or take drawings.
"""

VESSEL = """\
# product = "?"
# density.value = "? lb/gal"  # of the batch in the vessel; kg/m3 or kg/L will do
# density.source = "?"  # its certificate; a table of typical values only until there is one
# density.on = ?  # the date of that source
# strapping = "?"  # a file with the header level_m,volume_gal
# shape.kind = "?"
# shape.diameter = "? m"  # inside
# shape.height = "? m"  # of a vertical cylinder's straight shell
# shape.bottom = "?"
# shape.length = "? m"  # of a horizontal cylinder, its straight part
# shape.heads = "?"
# uncertainty.level = "? mm"  # at k = 2, as the transmitter's papers give it
# uncertainty.volume = "? %"  # at k = 2, as the shape's papers give it
# high = "? m"  # of a high alarm, under the vessel's top
# low = "? m"  # of a low alarm, above the trip
# trip.below = "? m"  # closes the valves from this vessel; within the sensor's reach
# trip.mean = "? s"  # of the level, before it is compared; 1 to 60 s
# trip.delay = "? s"  # after the mean
# trip.reset_above = "? m"  # a person resets, at or above this
# frozen = { expected = "? mm", seen = "? mm" }  # a value that stands still while the vessel is drawn from is bad
"""

NEXT = """\
# No listening tells these. They stand on another port than the tap's; inputs are healthy when energised, so that a
# broken wire is no permission. For each module, input, bay and valve one such block; a site has at least one bay.

# [[module]]
# tag = "?"
# kind = "?"  # modbus-rtu
# port = "?"  # never the tap's
# baud = ?
# framing = "?"
# device = ?
# drops_out_after = "? s"  # opens its own outputs when it hears nothing for so long

# [watchdog]  # opens the valves' supply when the station hangs, through a retriggerable timing relay
# module = "?"
# coil = ?
# kind = "?"  # transistor: a relay's contact wears out and can weld shut
# relay_time = "? s"

# [horn]
# module = "?"
# coil = ?

# Inputs: for each bay AUTO and HAND of its selector, its stop circuit, its hose, its open key and its close key
# (energised while not pressed); for each valve its closed and its open switch.
# [[input]]
# tag = "?"
# module = "?"
# bit = ?
# max_age = "? s"

# [[bay]]
# tag = "?"
# name = "?"
# flow = { value = "? gpm", tolerance = "? %", source = "?" }  # measure it
# vehicle = { capacity = "? gal", payload = "? lb" }  # the smallest that loads here
# restarts = ?
# restart_wait = "? s"
# resume_by = "?"  # a role of the people's file
# selector = { auto = "?", hand = "?" }
# stop_input = "?"
# hose = { input = "?", left_after = "? min" }
# run_permissives = ["?", "?", "?"]  # AUTO, the stop circuit and the hose always among them
# hard_wired_stop = "?"  # in series with the valves' supply, works without this tool: say what it is
# pump_permit = { module = "?", coil = ? }
# open_key = "?"
# close_key = "?"
# stuck_key_after = "? s"
# panel = { lost_after = "? s", screen = "? in" }

# [[valve]]
# tag = "?"
# bay = "?"
# from = "?"  # a vessel
# open_limit = "? s"  # the owner's decision; check says whether the vehicle can take it
# output = { module = "?", coil = ? }
# fails = "?"  # closed; nothing else is accepted
# stroke = "? s"
# supervise = "? s"  # longer than the stroke
# closed_switch = "?"
# open_switch = "?"

# [[alarm]]  # one for every vessel's high level
# tag = "?"
# on = "?"  # VESSEL above high
# delay = "? s"
# dead_band = "? mm"
# priority = "?"

# [[rule]]  # where a vessel feeds several bays, several trips close a bay, or levels are not polled at night
# tag = "?"
# kind = "?"  # exclusive-vessel, shared-only-above, trip-vote, quiet-hours

# [compatible]  # what may follow what on one ticket, signed by the client; what isn't named is refused
# "?" = ["?"]
"""
