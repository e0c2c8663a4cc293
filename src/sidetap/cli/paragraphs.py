"""Paragraphs for people: wrapped at the terminal's width, at 80 columns into a file, with no trailing blanks."""

import re

from rich.console import Console
from rich.text import Text

_WIDTH = 80  # columns at least
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[a-z]{1,3}\b)")
_JOINED = "\ue000"  # one column wide and in no text: a blank at which no line breaks, so units stay with numbers


def page() -> Console:
    """Return where text for people goes."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=_WIDTH)


def paragraph(
    console: Console, words: str, indent: int = 0, *, label: str = "", hang: int = 0, style: str = ""
) -> None:
    """Print words indented so far, further lines by `hang` more; a label stands in the indent of the first."""
    first = Text(label.ljust(indent)[:indent] if label else " " * indent)
    width = max(console.width - indent - hang, 20)
    for n, line in enumerate(Text(_BEFORE_UNIT.sub(_JOINED, words), style=style).wrap(console, width)):
        line.plain = line.plain.replace(_JOINED, " ").rstrip()
        console.print((first if n == 0 else Text(" " * (indent + hang))).append_text(line), soft_wrap=True)
