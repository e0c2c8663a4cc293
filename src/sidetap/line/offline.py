"""A whole line at once: batches of chunks in, columns of events out. For records; the live line has the parser."""

from collections.abc import Iterable, Iterator

from sidetap.line.batch import Batch
from sidetap.line.columns import Columns, of_events
from sidetap.line.parser import Event, Parser
from sidetap.line.settings import Settings


def listen(batches: Iterable[Batch], settings: Settings | None = None) -> Iterator[Columns]:
    """Yield the events of a line as columns, in order; at least one for every batch that settles any.

    settings: as for `Parser`. The same rows come out however the line was cut into batches.
    """
    parser = Parser(settings)
    for batch in batches:
        for chunk in batch.chunks():
            parser.receive(chunk)
        events = list(_taken(parser))
        if events:
            yield of_events(events)
    parser.close()
    events = list(_taken(parser))
    if events:
        yield of_events(events)


def _taken(parser: Parser) -> Iterator[Event]:
    while (event := parser.next_event()) is not None:
        yield event
