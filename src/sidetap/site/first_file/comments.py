"""Text from anywhere -> lines of comments that stay comments, and TOML strings that stay strings."""

import textwrap
from collections.abc import Iterable
from datetime import UTC, datetime

from sidetap.errors import printable

_WIDTH = 108  # columns of a comment
_LONGEST = 800  # characters of one text out of a document
_CALENDAR_S = (10**9, 10**11)  # seconds that are dates: from 2001 on; less counts from a record's own start


def quoted(text: str) -> str:
    """Return text from a document as part of a sentence: on one line, and not endless."""
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def comment(text: str, indent: str = "") -> list[str]:
    """Return lines that say text, each one a comment, with control characters escaped."""
    return textwrap.wrap(
        printable(text), _WIDTH, initial_indent=f"# {indent}", subsequent_indent=f"# {indent}", break_on_hyphens=False
    ) or ["#"]


def comments(texts: Iterable[str], indent: str = "") -> list[str]:
    """Return the comments of several texts, one after the other."""
    return [line for text in texts for line in comment(text, indent)]


def toml_string(text: str) -> str:
    """Return text as a TOML string; what can't be printed stands there in an escaped form that can."""
    escaped = printable(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def heading(text: str) -> list[str]:
    """Return a line that sets a part of the file apart."""
    return ["", f"# -- {text} ".ljust(118, "-"), ""]


def moment(seconds: float) -> str:
    """Return a time on the recording's clock, with its date where the clock shows one."""
    text = f"{seconds:.3f} s"
    if _CALENDAR_S[0] <= seconds < _CALENDAR_S[1]:
        text += f" ({datetime.fromtimestamp(int(seconds), UTC):%Y-%m-%d %H:%M:%S} UTC)"
    return text


def span(from_s: float | None, to_s: float | None) -> str:
    """Return a stretch of time on the recording's clock, "" where it isn't known."""
    if from_s is None or to_s is None:
        return ""
    return f" From {moment(from_s)} to {moment(to_s)} on the recording's clock."
