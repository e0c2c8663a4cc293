"""Answers as the line would carry them."""

from pathlib import Path

from sidetap.line import Outcome, Transaction

EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "bay-b.toml"
YARD = EXAMPLE.with_name("site.toml")
S = 1_000_000_000


def answer(
    device: int,
    first: int,
    words: list[int],
    t_s: float = 0.0,
    *,
    outcome: Outcome = Outcome.ANSWERED,
    repaired: bool = False,
    backlog: bool = False,
) -> Transaction:
    """Return a read of a device from the register first on, and its answer, whose last byte came at t_s."""
    function = 4 if device in (13, 14, 31) else 3
    data = b"".join(word.to_bytes(2, "big") for word in words)
    request = bytes([device, function]) + first.to_bytes(2, "big") + len(words).to_bytes(2, "big")
    whole = outcome is Outcome.ANSWERED
    return Transaction(
        t_ns=round((t_s - 0.02) * S),
        t_end_ns=round(t_s * S) if whole else None,
        device=device,
        function=function,
        table="input-register" if function == 4 else "holding-register",
        register=first,
        count=len(words),
        request=request,
        response=bytes([device, function, len(data)]) + data if whole else None,
        outcome=outcome,
        repaired=repaired,
        backlog=backlog,
    )
