"""The keys of what is listened to: the file itself, the site, its lines and points, and the vessels."""

from sidetap.line import ENCODINGS
from sidetap.quantity import UNITS, Dimension
from sidetap.site.keys.forms import (
    Choice,
    Day,
    Duration,
    FileName,
    Inner,
    Key,
    Length,
    Many,
    Number,
    Quantity,
    Range,
    Reference,
    Tag,
    Text,
    Whole,
    WordOrInner,
)
from sidetap.site.model import LevelKind

FRAMINGS = ("8E1", "8O1", "8N1", "8N2")  # RTU needs eight data bits (MODBUS over Serial Line V1.02, 2.5.1)
REGISTER_TABLES = ("holding-register", "input-register")
POINT_ENCODINGS = tuple(name for name in ENCODINGS if name not in ("text", "bits16"))  # those that are numbers
LEVEL_DIMENSIONS = {
    LevelKind.HEIGHT: Dimension.LENGTH,
    LevelKind.ULLAGE: Dimension.LENGTH,
    LevelKind.PRESSURE: Dimension.PRESSURE,
    LevelKind.PERCENT: Dimension.SHARE,
}
POINT_UNITS = tuple(u.name for u in UNITS.values() if u.dimension in LEVEL_DIMENSIONS.values() and u.name != "1")
MOST_MEAN_S = 60  # buckets of a trip's mean; each is a state of the scheme

VERTICAL, HORIZONTAL, ELLIPSE, BOX, SPHERE, STACK = SHAPES = (
    "vertical-cylinder",
    "horizontal-cylinder",
    "horizontal-ellipse",
    "box",
    "sphere",
    "stack",
)
ENDS_BY_NAME = ("flat", "hemispherical", "ellipsoidal-2:1")  # these need no sizes
ENDS = (*ENDS_BY_NAME, "cone", "dished", "ellipsoidal", "torispherical")
CONE = '{ form = "cone", depth = "1.2 m", outlet = "0.30 m" }'
_NOT_FLAT = tuple(end for end in ENDS if end != "flat")
_SIZE = ("0.01 m", "100 m")

TOP = (
    Key("format", Whole(0, 10_000), "1", "the form of the file"),
    Key("people", FileName(), '"people.toml"', "the people's file"),
    Key(
        "secrets",
        FileName(),
        '"secrets.toml"',
        "the file of PINs and credentials, readable for the station alone",
        optional=True,
    ),
    Key("site", Inner(), '{ name = "...", time_zone = "America/Chicago", ... }'),
    Key("site.name", Text(), '"Tarn Hollow Growers\' Co-op"', "shown on every page"),
    Key("site.time_zone", Text(), '"America/Chicago"', "an IANA name"),
    Key(
        "site.show",
        Inner(),
        '{ level = "ft-in", volume = "gal", flow = "gpm", mass = "lb" }',
        "the units people see",
    ),
    Key(
        "site.show.level",
        Choice(("ft-in", "m", "cm", "mm", "ft", "in", "%")),
        '"ft-in"',
        "`ft-in` to 1/16 in, on a panel to 1/8; `%` of the vessel's top",
    ),
    Key("site.show.volume", Choice(("gal", "L", "m3", "bbl")), '"gal"', "`gal` of the US, `bbl` of 42 gal"),
    Key("site.show.flow", Choice(("gpm", "L/min", "m3/h")), '"gpm"'),
    Key("site.show.mass", Choice(("lb", "kg", "t")), '"lb"'),
    Key("site.scan", Duration("20 ms", "1 s"), '"100 ms"', "how often the scheme is stepped"),
)

_PORT = '"/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"'

LINES = (
    Key("line", Many(), "[[line]] tables"),
    Key("line.tag", Tag(), '"north"'),
    Key(
        "line.port",
        Text(),
        _PORT,
        "a port that keeps its name at a restart; or `tcp:HOST:PORT`, or `pty:PATH`",
    ),
    Key("line.serial", Text(), '"RX0001"', "the adapter's own serial number, checked at every open", optional=True),
    Key("line.baud", Whole(300, 1_000_000), "19200", "bits a second"),
    Key("line.framing", Choice(FRAMINGS), '"8E1"', "RTU has eight data bits"),
    Key(
        "line.transmitter",
        Inner(),
        '{ state = "disabled in hardware", checked_by = "NAME", on = 2026-01-31 }',
        "the statement that nothing can be sent",
        optional=True,
    ),
    Key(
        "line.transmitter.state",
        Text(),
        '"disabled in hardware"',
        "these words count; others warn",
    ),
    Key("line.transmitter.checked_by", Text(), '"R. Achterberg"'),
    Key("line.transmitter.on", Day(), "2026-02-11"),
)

POINTS = (
    Key("point", Many(), "[[point]] tables"),
    Key("point.tag", Tag(), '"LT-1"'),
    Key("point.line", Reference("line"), '"north"', "the line's tag"),
    Key("point.device", Whole(1, 247), "11", "address"),
    Key("point.table", Choice(REGISTER_TABLES), '"holding-register"'),
    Key(
        "point.register",
        Whole(0, 65_535),
        "100",
        "0-based, as on the wire: 100 here is 400101 on paper",
    ),
    Key(
        "point.encoding",
        Choice(POINT_ENCODINGS),
        '"uint16"',
        "which word comes first is part of the name, `-swapped` that the bytes of each register are exchanged",
    ),
    Key("point.scale", Number(), "1", optional=True, default="1"),
    Key("point.offset", Number(), "0", optional=True, default="0"),
    Key("point.unit", Choice(POINT_UNITS), '"mm"', "of length, of pressure, or `%`"),
    Key("point.valid", Range(), '["0 mm", "7315 mm"]', "lowest and highest reading, both still good"),
    Key(
        "point.good_when",
        Many(required=False),
        '[{ register = 101, encoding = "uint16", equals = 1 }]',
        "what other registers of the same answer must say",
        optional=True,
    ),
    Key("point.good_when.register", Whole(0, 65_535), "101", "0-based"),
    Key("point.good_when.encoding", Choice(POINT_ENCODINGS), '"uint16"'),
    Key("point.good_when.equals", Number(), "1", "at least one of the three must be there", optional=True),
    Key("point.good_when.at_least", Number(), "50", optional=True),
    Key("point.good_when.at_most", Number(), "100", optional=True),
    Key(
        "point.max_step",
        Quantity(Dimension.SPEED, "0.1 mm/s", "10 m/s"),
        '"50 mm/s"',
        "the fastest that the level itself may move, whatever the point measures",
        optional=True,
    ),
    Key("point.poll", Duration("10 ms", "1 h"), '"1 s"', "how often the controller asks"),
    Key("point.warn_age", Duration("10 ms", "1 h"), '"3 s"', "older: a warning, and no new opening"),
    Key("point.close_age", Duration("10 ms", "1 h"), '"5 s"', "older: valves close"),
    Key(
        "point.released",
        Inner(),
        '{ dips = 2, by = "NAME", on = 2026-01-31 }',
        "two dips at least a fifth of the span apart agreed, which `sidetap doctor` finds out; "
        "without it `check` warns and the station opens nothing",
        optional=True,
    ),
    Key("point.released.dips", Whole(2, 1000), "2", "how many"),
    Key("point.released.by", Text(), '"R. Achterberg"'),
    Key("point.released.on", Day(), "2026-02-12"),
)

VESSELS = (
    Key("vessel", Many(), "[[vessel]] tables"),
    Key("vessel.tag", Tag(), '"T1"'),
    Key("vessel.name", Text(), '"North Round"'),
    Key("vessel.product", Text(), '"32-0-0"'),
    Key("vessel.density", Inner(), '{ value = "11.06 lb/gal", source = "certificate", on = 2026-01-31 }'),
    Key(
        "vessel.density.value",
        # from light fuels to heavy acids and brines, against a value typed in the wrong unit; from memory
        Quantity(Dimension.DENSITY, "400 kg/m3", "2600 kg/m3"),
        '"11.06 lb/gal"',
    ),
    Key(
        "vessel.density.source",
        Text(),
        '"table of typical values; replace by certificate"',
        "the batch's own certificate is better",
    ),
    Key("vessel.density.on", Day(), "2026-01-20"),
    Key(
        "vessel.density.uncertainty",
        Quantity(Dimension.SHARE, "0 %", "50 %"),
        '"0.5 %"',
        "at k = 2",
        optional=True,
        default='"0 %"',
    ),
    Key(
        "vessel.shape",
        Inner(),
        '{ kind = "vertical-cylinder", diameter = "9.144 m", height = "7.315 m", bottom = "flat" }',
        "inside measures; either this or a strapping, never both",
        optional=True,
    ),
    Key(
        "vessel.shape.kind",
        Choice(SHAPES),
        '"vertical-cylinder"',
        "`horizontal-ellipse` has flat ends; a `stack` is made of parts",
    ),
    Key(
        "vessel.shape.diameter",
        Quantity(Dimension.LENGTH, *_SIZE),
        '"9.144 m"',
        only=(VERTICAL, HORIZONTAL, SPHERE),
    ),
    Key(
        "vessel.shape.height",
        Quantity(Dimension.LENGTH, *_SIZE),
        '"7.315 m"',
        "of a vertical cylinder's straight shell",
        only=(VERTICAL, ELLIPSE, BOX),
    ),
    Key("vessel.shape.width", Quantity(Dimension.LENGTH, *_SIZE), '"2.4 m"', only=(ELLIPSE, BOX)),
    Key(
        "vessel.shape.length",
        Quantity(Dimension.LENGTH, *_SIZE),
        '"12.192 m"',
        "of a horizontal cylinder's straight part",
        only=(HORIZONTAL, ELLIPSE, BOX),
    ),
    Key(
        "vessel.shape.bottom",
        WordOrInner(ENDS_BY_NAME),
        '"flat"',
        f"a word where that says it all, or a table: `{CONE}`",
        only=(VERTICAL,),
    ),
    Key("vessel.shape.top", WordOrInner(ENDS_BY_NAME), '"flat"', "as `bottom`", True, '"flat"', (VERTICAL,)),
    Key(
        "vessel.shape.heads",
        WordOrInner(ENDS_BY_NAME),
        '"ellipsoidal-2:1"',
        "both, as `bottom`",
        only=(HORIZONTAL,),
    ),
    Key("vessel.shape.bottom.form", Choice(ENDS), '"cone"', "of a bottom, a top or heads"),
    Key(
        "vessel.shape.bottom.depth",
        Quantity(Dimension.LENGTH, "1 mm", "30 m"),
        '"1.2 m"',
        "from rim to tip; of a truncated cone, to its outlet",
        only=("cone", "dished", "ellipsoidal"),
    ),
    Key(
        "vessel.shape.bottom.outlet",
        Quantity(Dimension.LENGTH, "1 mm", "30 m"),
        '"0.30 m"',
        "the diameter that a cone ends with",
        optional=True,
        default="a tip",
        only=("cone",),
    ),
    Key(
        "vessel.shape.bottom.crown_radius",
        Quantity(Dimension.LENGTH, *_SIZE),
        '"9.144 m"',
        only=("torispherical",),
    ),
    Key(
        "vessel.shape.bottom.knuckle_radius",
        Quantity(Dimension.LENGTH, "1 mm", "30 m"),
        '"0.549 m"',
        only=("torispherical",),
    ),
    Key(
        "vessel.shape.bottom.bulges",
        Choice(("out", "in")),
        '"in"',
        "`in`: into the vessel, so that the lowest liquid stands along the rim (a cone-up floor, a concave head)",
        optional=True,
        default='"out"',
        only=_NOT_FLAT,
    ),
    Key(
        "vessel.shape.parts",
        Many(),
        '[{ kind = "box", length = "2 m", width = "2 m", height = "1 m" }]',
        "shapes, from the lowest up; each as `shape`, but no stack",
        only=(STACK,),
    ),
    Key(
        "vessel.strapping",
        FileName(),
        '"t2-strapping.csv"',
        "header `level_m,volume_gal` (any unit of length and volume), linear between rows, no volume outside them",
        optional=True,
    ),
    Key(
        "vessel.drawing",
        Inner(),
        '{ kind = "vertical-cylinder", diameter = "9.754 m", height = "6.096 m", bottom = "flat" }',
        "the shape as drawn, beside a strapping, keys as `vessel.shape`: for `sidetap site strapping` alone",
        optional=True,
    ),
    Key(
        "vessel.datum",
        Length("0 mm", "30 m"),
        '"0 mm"',
        "where level 0 is: so far above the shape's lowest point or the strapping's zero",
        optional=True,
        default='"0 mm"',
    ),
    Key("vessel.level", Inner(), '{ point = "LT-1", as = "height" }'),
    Key("vessel.level.point", Reference("point"), '"LT-1"', "one point tells one vessel's level"),
    Key(
        "vessel.level.as",
        Choice(tuple(LevelKind)),
        '"height"',
        "height: level = reading",
    ),
    Key(
        "vessel.level.reference_height",
        Length("0.1 mm", "40 m"),
        '"7.90 m"',
        "level = this - reading",
        only=(LevelKind.ULLAGE,),
    ),
    Key(
        "vessel.level.blocking",
        Length("0 mm", "5 m"),
        '"0.30 m"',
        "nearer than this the sensor says nothing",
        only=(LevelKind.ULLAGE,),
    ),
    Key(
        "vessel.level.sensor_height",
        Length("0 m", "30 m"),
        '"0.42 m"',
        "level = this + p / (density × 9.80665 m/s²); a vented vessel",
        only=(LevelKind.PRESSURE,),
    ),
    Key("vessel.level.span", Length("0.1 mm", "30 m"), '"2.50 m"', "the level at 100 %", only=(LevelKind.PERCENT,)),
    Key(
        "vessel.uncertainty",
        Inner(),
        '{ level = "3 mm", volume = "0.3 %" }',
        "at k = 2, as the transmitter's and the shape's papers give it",
    ),
    Key("vessel.uncertainty.level", Length("0.1 mm", "1 m"), '"3 mm"', "of one reading, all but its reference"),
    Key("vessel.uncertainty.volume", Quantity(Dimension.SHARE, "0 %", "50 %"), '"0.3 %"', "of the volume"),
    Key(
        "vessel.uncertainty.reference",
        Length("0 mm", "1 m"),
        '"2 mm"',
        "of what all readings share: dip plate, flange, nozzle; a difference of two levels doesn't feel it",
        optional=True,
        default='"0 mm"',
    ),
    Key("vessel.high", Length("0.1 mm", "30 m"), '"6.90 m"', "under the vessel's top and within the sensor's reach"),
    Key("vessel.low", Length("0.1 mm", "30 m"), '"1.00 m"', "above the trip"),
    Key(
        "vessel.trip",
        Inner(),
        '{ below = "0.60 m", mean = "15 s", delay = "2 s", reset_above = "0.70 m" }',
        "the low trip that closes the valves from this vessel",
    ),
    Key(
        "vessel.trip.below",
        Length("0.1 mm", "30 m"),
        '"0.60 m"',
        "within the sensor's reach: above a nozzle, a strapping's first row, the valid range's lower end",
    ),
    Key(
        "vessel.trip.mean",
        Duration("1 s", f"{MOST_MEAN_S} s", whole_seconds=True),
        '"15 s"',
        "over one-second buckets",
    ),
    Key("vessel.trip.delay", Duration("0 s", "60 s"), '"2 s"', "after the mean"),
    Key("vessel.trip.reset_above", Length("0.1 mm", "30 m"), '"0.70 m"', "a person resets, at or above this"),
    Key(
        "vessel.heel",
        Length("0.1 mm", "30 m"),
        '"0.10 m"',
        "the level under which nothing can be drawn",
        optional=True,
        default='"0 mm"',
    ),
    Key(
        "vessel.frozen",
        Inner(),
        '{ expected = "20 mm", seen = "5 mm" }',
        "the watch for a value that stands still while the vessel is drawn from",
        optional=True,
    ),
    Key(
        "vessel.frozen.expected",
        Length("1 mm", "1 m"),
        '"20 mm"',
        "once the draw should have brought so much fall",
    ),
    Key("vessel.frozen.seen", Length("0.1 mm", "1 m"), '"5 mm"', "and less than this was seen, the value is bad"),
    Key(
        "vessel.receipt_input",
        Reference("input"),
        '"YS-T1"',
        "an input that is energised while something is delivered into the vessel",
        optional=True,
    ),
)
