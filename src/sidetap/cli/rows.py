"""Columns of events -> the lines `sidetap transactions` prints. Writes nothing itself.

Many rows at a time: each column becomes a list once, and the parts of a line that come again and again (the same
polls, the same outcomes) are written out once.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from sidetap.line import Columns, Mode
from sidetap.line.columns import NO_TIME, NOISE, NONE, OUTCOMES, Rows
from sidetap.line.rules import TABLE
from sidetap.quantity import NS_PER_S

NAMES = (
    *("t_s", "device", "function", "table", "register", "count"),
    *("request", "response", "outcome", "retry", "repaired"),
)
_SWITCHES = ("false", "true")


@dataclass(frozen=True, slots=True)
class Form:
    """How rows are written. header: before them. labels: what stands before each cell; end: after the last one."""

    header: str
    labels: tuple[str, ...]
    end: str
    quote: str
    null: str

    def text(self, cell: str | None) -> str:
        """Return a cell of text."""
        return self.null if cell is None else f"{self.quote}{cell}{self.quote}"

    def number(self, cell: int) -> str:
        """Return a cell that is a number, or NONE."""
        return self.null if cell == NONE else str(cell)


JSONL = Form(
    header="",
    labels=tuple(f'{", " if place else "{"}"{name}": ' for place, name in enumerate(NAMES)),
    end="}\n",
    quote='"',
    null="null",
)
CSV = Form(
    header=",".join(NAMES) + "\n",
    labels=("", *("," for _ in NAMES[1:])),
    end="\n",
    quote="",
    null="",
)


def lines(columns: Columns, form: Form) -> Iterator[str]:
    """Yield a line for every row that is a transaction, in order."""
    rows = np.flatnonzero(columns.outcome != NOISE)
    asked = columns.device, columns.function, columns.register, columns.count
    polls: dict[tuple[int, ...], str] = {}
    ends = [
        "".join(label + cell for label, cell in zip(form.labels[8:], cells, strict=True)) + form.end
        for cells in product([form.text(outcome.value) for outcome in OUTCOMES], _SWITCHES, _SWITCHES)
    ]
    kinds = columns.outcome[rows].astype(np.int64) * 4 + columns.retry[rows] * 2 + columns.repaired[rows]
    for time, poll, request, response, kind in zip(
        _times(columns.t_ns[rows], form),
        zip(*(column[rows].tolist() for column in asked), strict=True),
        *_messages(columns, rows, form),
        kinds.tolist(),
        strict=True,
    ):
        if poll not in polls:
            polls[poll] = _poll(poll, form)
        yield f"{form.labels[0]}{time}{polls[poll]}{request}{form.labels[7]}{response}{ends[kind]}"


def _poll(poll: tuple[int, ...], form: Form) -> str:
    """Return the part of a line from the device up to the request."""
    device, function, register, count = poll
    table = form.text(None if register == NONE else TABLE[function])
    cells = (str(device), str(function), table, form.number(register), form.number(count), "")
    return "".join(label + cell for label, cell in zip(form.labels[1:7], cells, strict=True))


def _times(t_ns: Rows, form: Form) -> Iterator[str]:
    """Yield decimal seconds, exact to the ns: a float could not hold them."""
    for time in t_ns.tolist():
        if time == NO_TIME:
            yield form.null
            continue
        whole, rest = divmod(abs(time), NS_PER_S)
        text = f"{whole}.{rest:09d}".rstrip("0") if rest else str(whole)
        yield f"-{text}" if time < 0 else text


def _messages(columns: Columns, rows: Rows, form: Form) -> tuple[list[str], list[str]]:
    """Return the cells of requests and of responses: hex of address and PDU, cut out of one text of all bytes."""
    octets = columns.data.tobytes()
    text = octets.decode("latin-1").lower() if columns.mode is Mode.ASCII else octets.hex()
    found = []
    for spans, bits, mended in (
        (columns.request, columns.request_bit, columns.request_bytes),
        (columns.response, columns.response_bit, columns.response_bytes),
    ):
        first, last = spans[rows, 0], spans[rows, 1]
        if columns.mode is Mode.ASCII:
            start, end = first + 1, last - 4  # without colon, LRC and line end
        else:
            start, end = 2 * first, 2 * last - 4  # without CRC
        start[first == NONE] = NONE
        cells = [
            form.null if at == NONE else f"{form.quote}{text[at:to]}{form.quote}"
            for at, to in zip(start.tolist(), end.tolist(), strict=True)
        ]
        for place in np.flatnonzero(bits[rows] != NONE).tolist():
            message = mended(int(rows[place]))
            cells[place] = form.text(None if message is None else message.hex())
        found.append(cells)
    return found[0], found[1]
