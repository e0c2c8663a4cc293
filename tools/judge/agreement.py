"""The incremental parser beside the offline runner: two lists of events of one line in, shares that agree out."""

from collections.abc import Iterable

from sidetap.line import Batch, Columns, Noise, Outcome, Parser, Settings, Transaction, mode_of

Row = tuple[int, Transaction | Noise]


def placed(events: Iterable[Transaction | Noise]) -> set[Row]:
    """Return events with the place where each starts on the line, those of the same bytes together."""
    at, rows = 0, set()
    for event in events:
        rows.add((at, event))
        at += len(event.raw)
    return rows


def incremental(batch: Batch, settings: Settings | None, *, repair: bool = False) -> list[Transaction | Noise]:
    """Return what the incremental parser makes of the chunks of a batch, one after the other."""
    parser, events = Parser(settings, mode_of(batch.data.tobytes()), repair=repair), []
    for chunk in batch.chunks():
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            events.append(event)
    parser.close()
    while (event := parser.next_event()) is not None:
        events.append(event)
    return events


def offline(parts: Iterable[Columns]) -> list[Transaction | Noise]:
    """Return all rows as events."""
    return [event for part in parts for event in part.events()]


def shares(ours: set[Row], theirs: set[Row]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return (agreeing, all) for the answered rows and for all rows; a row that only one side has counts as one."""

    def answered(rows: set[Row]) -> set[Row]:
        whole = (Outcome.ANSWERED, Outcome.EXCEPTION)
        return {row for row in rows if isinstance(row[1], Transaction) and row[1].outcome in whole}

    first, second = answered(ours), answered(theirs)
    return (len(first & second), max(len(first), len(second))), (len(ours & theirs), max(len(ours), len(theirs)))
