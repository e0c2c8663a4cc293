"""Paragraphs for people: wrapped at the terminal's width, at 80 columns into a file, with no trailing blanks."""

import re

from rich.console import Console
from rich.text import Text

_WIDTH = 80  # columns at least
_INSIDE = re.compile(r"(?<=\d) (?=[a-z]{1,3}\b|\d+/\d)|(?<=\d ft) (?=\d)")  # of a quantity: "9 s", "4 ft 9 1/8 in"
_JOINED = "\ue000"  # one column wide and in no text: a blank at which no line breaks


def page() -> Console:
    """Return where text for people goes."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=_WIDTH)


def joined(words: str) -> str:
    """Return words in which no line breaks inside a quantity; for `parted`, once the lines are made."""
    return _INSIDE.sub(_JOINED, words)


def parted(line: str) -> str:
    """Return a line of joined words as it is read, with no trailing blanks."""
    return line.replace(_JOINED, " ").rstrip()


def paragraph(
    console: Console, words: str, indent: int = 0, *, label: str = "", hang: int = 0, style: str = ""
) -> None:
    """Print words indented so far, further lines by `hang` more; a label stands in the indent of the first."""
    first = Text(label.ljust(indent)[:indent] if label else " " * indent)
    width = max(console.width - indent - hang, 20)
    for n, line in enumerate(Text(joined(words), style=style).wrap(console, width)):
        line.plain = parted(line.plain)
        console.print((first if n == 0 else Text(" " * (indent + hang))).append_text(line), soft_wrap=True)
