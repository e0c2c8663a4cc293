"""What survey and match say about a register, a device or the line, as sentences for a person."""

from collections.abc import Iterable

from sidetap.line import reference
from sidetap.site.first_file.comments import comment, moment, quoted, span
from sidetap.site.first_file.told import Answer, Device, Finding, Poll, Reading, Value

_SUREST = 0.9999  # nobody is surer than that
_MOST_FINDINGS = 50  # of one part of the file
_MOST_VALUES = 12  # of a device that nothing is made of
_QUIET = (
    "Quiet hours: while nobody polls, levels grow old and valves close. The site file has no schedule; agree with "
    "the owner on what the bays do then."
)


def place(table: str, register: int) -> str:
    """Return table, register and the reference that papers use."""
    return f"{table} {register} ({reference(table, register)})"


def sure(confidence: float) -> str:
    """Return a confidence with the digits it deserves."""
    return f"{min(confidence, _SUREST):.4f}"


def law_words(reading: Reading, unit: str | None) -> str:
    """Return a law as the match gives it."""
    sign = "+" if reading.offset >= 0 else "-"
    return f"{unit} = decoded × {reading.scale:.10g} {sign} {abs(reading.offset):.10g}"


def register_words(reading: Reading) -> str:
    """Return where a reading comes from."""
    return f"device {reading.device} {place(reading.table, reading.register)}, {reading.encoding}"


def seen_words(value: Value) -> str:
    """Return what a value was over the record."""
    if value.low is None or value.high is None:
        return "no number seen"
    if value.low == value.high:
        return f"{value.low:.6g} all the time"
    return f"{value.low:.6g} to {value.high:.6g}"


def value_words(value: Value) -> str:
    """Return a value in half a line."""
    return (
        f"{place(value.table, value.register)}: {value.encoding}, {value.kind}, {value.status} "
        f"{sure(value.confidence)}, {seen_words(value)}"
    )


def poll_words(poll: Poll) -> str:
    """Return how often a poll is heard."""
    pace = "at no period that could be told" if poll.period_s is None else f"every {poll.period_s:.4g} s (median)"
    return f"polled {pace}, {poll.answered:,} of {poll.requests:,} answered"


def answer_words(answer: Answer) -> list[str]:
    """Return what a match leaves to be done about a name."""
    words = []
    if answer.suspect_rows:
        rows = ", ".join(map(str, answer.suspect_rows[:50]))
        words.append(f"Readings that don't fit: row {rows} (from 1 after the header). Read them again.")
    words += [
        f"Rival: {register_words(r)}, {law_words(r, answer.unit)}; confidence {sure(r.confidence)}."
        for r in answer.rivals[:10]
    ]
    if answer.next is not None:
        words.append(f"Next: {quoted(answer.next)}")
    if answer.next_at_s is not None:
        words.append(f"A reading at {moment(answer.next_at_s)} of that record would have settled it.")
    return words


def finding_lines(findings: Iterable[Finding], indent: str = "") -> list[str]:
    """Return findings as comments, with evidence and what would settle them."""
    every = list(findings)
    lines: list[str] = []
    for found in every[:_MOST_FINDINGS]:
        words = (
            f"{found.severity}, {quoted(found.finding)}: {quoted(found.text)} Evidence: {quoted(found.evidence)}."
            f"{span(found.from_s, found.to_s)} To settle: {quoted(found.settle)}"
        )
        lines += comment(words, indent)
        if found.finding == "silent-window":
            lines += comment(_QUIET, indent)
    if len(every) > _MOST_FINDINGS:
        lines += comment(f"And {len(every) - _MOST_FINDINGS} findings more: see the survey.", indent)
    return lines


def device_lines(device: Device, findings: Iterable[Finding]) -> list[str]:
    """Return what is known of a device that no vessel reads, as comments."""
    found = list(findings)
    level = ", not a level" if any(f.finding == "not-a-level" for f in found) else ""
    state = f"{len(device.values)} values" if device.answers else "never answers"
    lines = comment(f"Device {device.device}{level}: {state}.")
    for value in device.values[:_MOST_VALUES]:
        lines += comment(value_words(value), "  ")
    if len(device.values) > _MOST_VALUES:
        lines += comment(f"and {len(device.values) - _MOST_VALUES} values more: see the survey", "  ")
    return lines + finding_lines(found, "  ")
