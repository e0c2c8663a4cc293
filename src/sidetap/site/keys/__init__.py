"""Every key of a site's files, declared once: form, bounds, example, meaning.

The reader takes bounds and remedies from here; the tables of docs/site-file.md, ``sidetap site explain`` and the
schema for editors are made of it. Data only: nothing here reads a file.
"""

from sidetap.site.keys.forms import (
    Choice,
    Day,
    Duration,
    FileName,
    Form,
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
    Texts,
    TimeOfDay,
    Whole,
    WordOrInner,
)
from sidetap.site.keys.listening import (
    BOX,
    ELLIPSE,
    ENDS,
    FRAMINGS,
    HORIZONTAL,
    LEVEL_DIMENSIONS,
    LINES,
    POINT_ENCODINGS,
    POINT_UNITS,
    POINTS,
    REGISTER_TABLES,
    SHAPES,
    SPHERE,
    STACK,
    TOP,
    VERTICAL,
    VESSELS,
)
from sidetap.site.keys.loading import (
    BAYS,
    BETWEEN,
    EXCLUSIVE,
    PEOPLE,
    QUIET_HOURS,
    ROLES,
    RULES,
    SECRETS,
    SHARED,
    VALVES,
    WIRING,
)

GROUPS: tuple[tuple[Key, ...], ...] = (TOP, LINES, POINTS, VESSELS, WIRING, BAYS, VALVES, BETWEEN, PEOPLE, SECRETS)
KEYS: dict[str, Key] = {key.path: key for group in GROUPS for key in group}
FORMAT = 1  # of the files that KEYS describes

# tables whose keys are those of another: their kind -> where these are declared
SAME_KEYS = {
    "bay.panel.show": "site.show",
    "vessel.drawing": "vessel.shape",
    "vessel.shape.parts": "vessel.shape",
    "vessel.shape.top": "vessel.shape.bottom",
    "vessel.shape.heads": "vessel.shape.bottom",
}

__all__ = [
    "BOX",
    "ELLIPSE",
    "ENDS",
    "EXCLUSIVE",
    "FORMAT",
    "FRAMINGS",
    "GROUPS",
    "HORIZONTAL",
    "KEYS",
    "LEVEL_DIMENSIONS",
    "POINT_ENCODINGS",
    "POINT_UNITS",
    "QUIET_HOURS",
    "REGISTER_TABLES",
    "ROLES",
    "RULES",
    "SAME_KEYS",
    "SHAPES",
    "SHARED",
    "SPHERE",
    "STACK",
    "VERTICAL",
    "Choice",
    "Day",
    "Duration",
    "FileName",
    "Form",
    "Inner",
    "Key",
    "Length",
    "Many",
    "Number",
    "Quantity",
    "Range",
    "Reference",
    "Tag",
    "Text",
    "Texts",
    "TimeOfDay",
    "Whole",
    "WordOrInner",
]
