"""Paragraphs for people: wrapped at the terminal's width, at 80 columns into a file, with no trailing blanks."""

from rich.console import Console
from rich.text import Text

_WIDTH = 80  # columns at least


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
    for n, line in enumerate(Text(words, style=style).wrap(console, width)):
        line.rstrip()
        console.print((first if n == 0 else Text(" " * (indent + hang))).append_text(line), soft_wrap=True)
