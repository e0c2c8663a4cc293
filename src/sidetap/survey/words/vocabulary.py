"""What stands on the wire -> words for people: places, bytes, encodings, numbers, rates.

Encodings are told in words, never in the trade's letters for byte order, which are used both ways; beside them
stand the bytes as they came and in the order in which they make the number.
"""

from collections.abc import Iterable, Sequence
from math import floor, isfinite, log10

from sidetap.errors import printable
from sidetap.line import reference

_KINDS = {
    "uint16": "unsigned 16 bit",
    "int16": "signed 16 bit",
    "bcd16": "four decimal digits (BCD)",
    "bits16": "16 single bits",
    "text": "text",
    "uint32": "unsigned 32 bit",
    "int32": "signed 32 bit",
    "float32": "float 32 bit",
    "float64": "float 64 bit",
    "mod10k32": "decimal, four digits a register",
}
_SWAPPED = "-swapped"
_MOST_WORDS = 6  # of which the bytes are shown; text may be longer
_MOST_TEXT = 60
_FLOAT_DIGITS = 7  # what a float of 32 bits holds
_PARTS = 3  # a number is shown to a thousandth of the range it moved through
_MOST_DECIMALS = 9
_PLAIN_BELOW = 1e15  # beyond, digits run out
_LARGE = 1e10  # the same for a number that is not whole
_SMALL = 1e-4  # below, a number that decimals would hide is told by its power of ten
_TELLING = 10  # counts a minute: from then on a rate is told a minute


def encoding_words(encoding: str) -> str:
    """Return an encoding of the contract in words.

    >>> encoding_words("float32-low-word-first-swapped")
    'float 32 bit, low word first, bytes swapped in each register'
    """
    kind, _, order = encoding.partition("-")
    words = [_KINDS[kind]]
    if order:
        words.append(order.removesuffix(_SWAPPED).replace("-", " "))
    if order.endswith(_SWAPPED):
        words.append("bytes swapped in each register")
    return ", ".join(words)


def wire_bytes(words: Sequence[int]) -> str:
    """Return the bytes of registers in the order in which they came."""
    shown = " ".join(f"{word >> 8:02X} {word & 0xFF:02X}" for word in words[:_MOST_WORDS])
    return shown if len(words) <= _MOST_WORDS else f"{shown} ..."


def bytes_as_taken(encoding: str, words: Sequence[int]) -> str | None:
    """Return the bytes in the order in which they make the number; None where that is how they came.

    >>> bytes_as_taken("float32-low-word-first", (0xCCCD, 0x404C))
    '40 4C CC CD'
    """
    order = encoding.partition("-")[2]
    taken = list(words)
    if order.endswith(_SWAPPED):
        taken = [(word & 0xFF) << 8 | word >> 8 for word in taken]
    if order.startswith("low"):
        taken.reverse()
    return None if taken == list(words) else wire_bytes(taken)


def table_words(table: str) -> str:
    """Return the name of one element of a table.

    >>> table_words("holding-register")
    'holding register'
    """
    return table.replace("-", " ")


def place(device: int, table: str, register: int) -> str:
    """Return a place: device, table, 0-based address and the reference counted from 1.

    >>> place(11, "holding-register", 100)
    'device 11, holding register 100 (400101)'
    """
    return f"device {device}, {table_words(table)} {register} ({reference(table, register)})"


def decimals(numbers: Iterable[float | int | None]) -> int:
    """Return the decimals that numbers of one value deserve: a thousandth of their range, no more than they have.

    >>> decimals([17.039412, 11.272134, 27.149092]), decimals([20.6, 18.4]), decimals([3091, 2571])
    (2, 1, 0)
    """
    finite = [float(x) for x in numbers if x is not None and isfinite(x)]
    if not finite:
        return 0
    span = max(finite) - min(finite)
    needed = max(map(_needed, finite))
    deserved = _PARTS - floor(log10(span)) if span > 0 else _MOST_DECIMALS
    return max(0, min(needed, deserved, _MOST_DECIMALS))


def _needed(x: float) -> int:
    if x.is_integer():
        return 0
    digits, _, power = f"{x:.{_FLOAT_DIGITS}g}".partition("e")
    return max(len(digits.partition(".")[2]) - int(power or 0), 0)


def number(x: float | int | None, places: int) -> str:
    """Return a number to so many decimals; by its power of ten where that would be unreadable."""
    if x is None or not isfinite(x):
        return "none"
    if abs(x) >= (_PLAIN_BELOW if float(x).is_integer() else _LARGE):
        return f"{x:.4g}"
    if round(x, places) == 0:
        x = 0.0 if places < _MOST_DECIMALS else x  # no minus before nothing
    lost = places == _MOST_DECIMALS and 0 < abs(x) < _SMALL
    return f"{x:.4g}" if lost else f"{x:.{places}f}"


def quoted(text: str) -> str:
    """Return a text off the line so that it can't be taken for anything else: quoted, escaped, not too long."""
    shown = printable(text)
    return f'"{shown}"' if len(shown) <= _MOST_TEXT else f'"{shown[:_MOST_TEXT]}..."'


def sureness(probability: float) -> str:
    """Return a probability with the digits it deserves; certainty is never claimed.

    >>> sureness(0.99997), sureness(0.9934), sureness(0.87), sureness(0.002)
    ('over 99.9 %', '99.3 %', '87 %', 'under 1 %')
    """
    if probability >= 0.999:
        return "over 99.9 %"
    if probability >= 0.99:
        return f"{floor(probability * 1000) / 10:.1f} %"
    return "under 1 %" if probability < 0.01 else f"{floor(probability * 100)} %"


def trend_words(per_h: float | None, places: int, unit: str = "") -> str:
    """Return which way a value goes, and how fast: steady under a last shown digit in ten minutes; "" if not known.

    >>> trend_words(-1380.0, 0), trend_words(0.12, 3, "m"), trend_words(2.0, 0)
    ('falling 23/min', 'rising 0.12 m/h', 'steady')
    """
    if per_h is None or not isfinite(per_h):
        return ""
    count = 10.0**-places
    if abs(per_h) < 6 * count:
        return "steady"
    quick = abs(per_h) / 60 >= _TELLING * count
    rate = two_digits(abs(per_h) / 60 if quick else abs(per_h))
    return f"{'rising' if per_h > 0 else 'falling'} {rate}{unit and f' {unit}'}/{'min' if quick else 'h'}"


def two_digits(x: float) -> str:
    """Return a positive number to two digits, without a power of ten where it can be read.

    >>> two_digits(1234.5), two_digits(0.01234), two_digits(23.4)
    ('1200', '0.012', '23')
    """
    power = floor(log10(x)) if x > 0 else 0
    rounded = round(x, 1 - power)
    return f"{rounded:.{max(1 - power, 0)}f}" if _SMALL <= x < _PLAIN_BELOW else f"{x:.2g}"


def either(things: Sequence[str]) -> str:
    """Return things with "or" between them; no commas, for names of encodings have some.

    >>> either(["a", "b, c", "d"])
    'a or b, c or d'
    """
    return " or ".join(things)
