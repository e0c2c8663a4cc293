"""Health -> is the listener set as the line is? Findings `wrong-parity`, `swapped-polarity` and `wrong-baud`.

Where the frames come through, only flags can tell: a wrong parity leaves bytes and check bytes as they are. Where
they don't, the characters are read again as if the line were set otherwise; requests that then check out leave no
doubt. A wrong speed is told by what it does to single bits: a slower line's bits last several of the listener's.
"""

from collections import Counter
from collections.abc import Iterator

from sidetap.quantity import NS_PER_S
from sidetap.survey.findings import Finding, Severity
from sidetap.survey.health.reread import Reread, Sample, Supposed, reread
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.signal import LETTERS, Signal
from sidetap.survey.timeline import Span

_FRAMINGS = ("8E1", "8O1", "8N1", "8N2")
_USUAL_LISTENERS = ("8E1", "8N1")  # where the record does not say how it was made
_FEWEST_BYTES = 200  # of each kind: of fewer, flags tell nothing
_NEARLY_ALL, _HARDLY_ANY = 0.95, 0.05
_NO_FRAMES = 0.5  # of the bytes: with fewer of them in frames, the record is of no use
_SOME_FRAMES = 0.2  # of the bytes: a listener set otherwise makes none but by chance
_TRIALS, _TRIALS_OTHERWISE = 40_000, 10_000
_FEWEST_REQUESTS, _LEAST_SHARE = 3, 0.15
_FEWEST_OF_ONE, _NEVER = 10, 1_000_000
_FEW_PER_S = 5  # bytes: a line at break gives no more, one at another speed does
_HARDLY_FRAMES = 0.02
_FRAMING_ERRORS = 0.1
_FEWEST_FOR_SPEED = 300
# Share of single bits (other than both neighbours) in bytes: a quarter in random ones, a sixth and more on Modbus
# lines heard rightly or by too slow a listener, 0.05 at 1.5 times the line's speed, none from twice on (simulated).
_SINGLE_FLAGGED, _SINGLE_ALONE = 0.08, 0.01
_PATTERN, _COMES_AGAIN, _PATTERNED = 4, 3, 0.3
_SWAP = (
    "Swap the pair at the listening adapter and record again: frames then come through. Makers name A and B both "
    "ways, so go by what comes through and not by the letters."
)
_LOOK_AT_EDGES = (
    "Record the line's edges and let `sidetap line` measure its speed, or look at the controller's own settings."
)


def find(health: LineHealth) -> list[Finding]:
    """Return at most one finding: what is told first explains the rest."""
    whole = None if health.ends_ns is None else Span(*health.ends_ns)
    finding = (
        _by_rereading(health, whole) or _slower(health, whole) or _by_flags(health, whole) or _other(health, whole)
    )
    return [] if finding is None else [finding]


def _finding(name: str, health: LineHealth, span: Span | None, text: str, evidence: str, settle: str) -> Finding:
    severity = Severity.FAULT if health.explained < _NO_FRAMES else Severity.WARNING
    return Finding(name, severity, None, None, span, text, evidence, settle)


def _rates(signal: Signal) -> str:
    if signal.flags is None:
        return "the record has no flags"
    names = {"p": "parity", "f": "framing", "b": "break"}
    return "flags: " + ", ".join(
        f"{name} on {signal.rate(letter):.1%} of the bytes" for letter, name in names.items()
    )


def _set_to(health: LineHealth) -> str:
    return "" if health.settings is None else f" (set to {health.settings})"


def _by_flags(health: LineHealth, span: Span | None) -> Finding | None:
    """Tell a wrong parity: it flags all bytes, or all with an even (or an odd) number of ones."""
    signal = health.signal
    if signal.flags is None:
        return None
    even, odd = (sum(row[n] for row in signal.flags) for n in (0, 1))
    if min(even, odd) < _FEWEST_BYTES / 2:
        return None
    parity = [signal.flags[LETTERS.index("p")][n] / total for n, total in enumerate((even, odd))]
    low_stop = [
        (signal.flags[LETTERS.index("f")][n] + signal.flags[LETTERS.index("b")][n]) / total
        for n, total in enumerate((even, odd))
    ]
    if min(parity) >= _NEARLY_ALL:
        what = "Every byte has the other parity than the listener expects: even for odd, or odd for even."
        why = "parity flags on nearly all bytes, whatever is in them"
    elif _one_of(low_stop) is not None:
        what = f"The line has a parity bit ({_one_of(low_stop)}) where the listener expects the stop bit."
        why = "framing flags on all bytes whose parity bit would be 0, and on no others"
    elif _one_of(parity) is not None:
        what = "The line has no parity bit (two stop bits) where the listener expects one."
        why = "parity flags on all bytes whose parity bit would be 0, and on no others"
    else:
        return None
    passing = "; the check codes pass all the same" if health.explained >= _NO_FRAMES else ""
    return _finding(
        "wrong-parity",
        health,
        span,
        what,
        f"{_rates(signal)}{_set_to(health)}: {why}{passing}, "
        f"{health.explained:.1%} of the bytes are in whole exchanges",
        "Record again with the other parity: the flags must be gone. Until then errors can't be seen.",
    )


def _one_of(shares: list[float]) -> str | None:
    """Return the line's parity if just one kind of bytes is flagged: the kind whose parity bit is 0."""
    even, odd = shares
    if even >= _NEARLY_ALL and odd <= _HARDLY_ANY:
        return "even"
    return "odd" if odd >= _NEARLY_ALL and even <= _HARDLY_ANY else None


def _by_rereading(health: LineHealth, span: Span | None) -> Finding | None:
    if max(health.explained, _asked_share(health)) >= _SOME_FRAMES:
        return None
    flagged = health.signal.flags is not None
    convincing = (one for one in _rereadings(health) if _convinces(one[0], flagged))
    found = next(convincing, None)
    if found is None:
        return _at_break(health, span)
    again, supposed, listener = found
    request, times = again.requests.most_common(1)[0]
    evidence = (
        f"read again as {supposed.framing}{' inverted' if supposed.inverted else ''}, {again.requests.total()} "
        f"requests check out in the first {again.characters} characters, {request.hex(' ')} {times} times; as they "
        f"came, {health.explained:.1%} of the bytes are in whole exchanges; {_rates(health.signal)}"
    )
    if supposed.inverted:
        text = f"The pair is swapped at the listener: the line is heard inverted{_set_to(health)}."
        return _finding("swapped-polarity", health, span, text, evidence, _SWAP)
    text = f"The line is {supposed.framing}, and the listener was set to {listener}."
    settle = f"Record again as {supposed.framing}: frames then come through without flags."
    return _finding("wrong-parity", health, span, text, evidence, settle)


def _rereadings(health: LineHealth) -> Iterator[tuple[Reread, Supposed, str]]:
    listeners = _USUAL_LISTENERS if health.settings is None else (health.settings.framing,)
    for listener in listeners:
        for inverted in (True, False):
            for framing in sorted(_FRAMINGS, key=lambda one: one != listener):
                if inverted or framing != listener:
                    supposed = Supposed(framing, inverted)
                    trials = _TRIALS if inverted and framing == listener else _TRIALS_OTHERWISE
                    yield reread(health.signal.sample, listener, supposed, trials), supposed, listener


def _convinces(again: Reread, flagged: bool) -> bool:
    # what is said over and over again passes each time if it once does by luck; flags leave little room for that
    fewest = _FEWEST_REQUESTS if len(again.requests) > 1 else _FEWEST_OF_ONE if flagged else _NEVER
    return again.requests.total() >= fewest and again.share >= _LEAST_SHARE


def _at_break(health: LineHealth, span: Span | None) -> Finding | None:
    """On a biased line a swapped pair is at break while nobody talks, and some receivers report nothing else."""
    signal = health.signal
    zeros = signal.values[0] if signal.flags is None else sum(signal.flags[LETTERS.index("b")])
    if zeros < _NEARLY_ALL * signal.bytes:
        return None
    seconds = health.duration_ns / NS_PER_S
    if signal.bytes > max(_FEW_PER_S * seconds, _FEW_PER_S):
        return None
    return _finding(
        "swapped-polarity",
        health,
        span,
        f"The line is heard at break, as a swapped pair on a biased line is{_set_to(health)}.",
        f"{zeros} of {signal.bytes} characters are breaks, in {seconds:.0f} s; no frame",
        f"{_SWAP} If nothing comes either way, look for a short, for bias the wrong way round, or a far slower line.",
    )


def _slower(health: LineHealth, span: Span | None) -> Finding | None:
    """Tell a line slower than its listener: its bytes hold no single bits."""
    if not _hardly_frames(health):
        return None
    signal = health.signal
    single, wrong = _single_bits(signal.values), signal.rate("fb")
    flagged = wrong is not None and wrong >= _FRAMING_ERRORS
    if single > (_SINGLE_FLAGGED if flagged else _SINGLE_ALONE) or (wrong is not None and not flagged):
        return None
    if not flagged and sum(number > 0 for number in signal.values) == 1:
        return None
    text = f"The line is slower than the listener{_set_to(health)}."
    why = f"single bits are {single:.1%} of all, so that each bit of the line lasts several of the listener's"
    return _finding("wrong-baud", health, span, text, _in_short(health, why), _LOOK_AT_EDGES)


def _other(health: LineHealth, span: Span | None) -> Finding | None:
    """Tell another speed by its framing errors, where somebody talks and nothing else explains them."""
    wrong = health.signal.rate("fb")
    if not _hardly_frames(health) or wrong is None or wrong < _FRAMING_ERRORS or not _patterned(health.signal.sample):
        return None
    single = _single_bits(health.signal.values)
    text = f"The line runs at another speed than the listener, probably faster{_set_to(health)}."
    why = f"single bits are {single:.1%} of all, as on no slower line, and the same patterns come again"
    return _finding("wrong-baud", health, span, text, _in_short(health, why), _LOOK_AT_EDGES)


def _hardly_frames(health: LineHealth) -> bool:
    return max(health.explained, _asked_share(health)) < _HARDLY_FRAMES and health.signal.bytes >= _FEWEST_FOR_SPEED


def _asked_share(health: LineHealth) -> float:
    return health.exchanges.asked_bytes / max(health.signal.bytes, 1)


def _in_short(health: LineHealth, why: str) -> str:
    signal = health.signal
    return f"{health.explained:.1%} of {signal.bytes} bytes are in whole exchanges; {_rates(signal)}; {why}"


def _single_bits(values: tuple[int, ...]) -> float:
    """Return the share of bits that differ from both neighbours, of bits 0 to 6 behind the start bit."""
    single = sum(
        number * ((edges & edges >> 1) & 0x7F).bit_count() for number, edges in zip(values, _EDGES, strict=True)
    )
    return single / max(7 * sum(values), 1)


_EDGES = tuple((value << 1 ^ value) & 0xFF for value in range(256))  # bit n: data bit n differs from the one before


def _patterned(sample: Sample) -> bool:
    """Whether what comes is mostly said again and again, as polls are and noise isn't."""
    data = sample.data
    patterns = Counter(data[n : n + _PATTERN] for n in range(len(data) - _PATTERN + 1))
    again = sum(times for pattern, times in patterns.items() if times >= _COMES_AGAIN and len(set(pattern)) > 1)
    return again >= _PATTERNED * max(patterns.total(), 1)
