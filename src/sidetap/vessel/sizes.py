"""What a vessel can't be: sizes that make no shape, refused with words and with the name of the size."""

from __future__ import annotations

LEAST_M = 0.001
MOST_M = 1000.0


class ImpossibleSize(ValueError):
    """A size that makes no shape. field is the constructor's, dotted where it is a part's: ``bottom.depth_m``."""

    def __init__(self, field: str, problem: str, remedy: str) -> None:
        self.field, self.problem, self.remedy = field, problem, remedy
        super().__init__(f"{field}: {problem}. {remedy}")

    def inside(self, field: str) -> ImpossibleSize:
        """Return the same refusal as seen from the shape that has this one in its field."""
        return ImpossibleSize(f"{field}.{self.field}", self.problem, self.remedy)


def require_size(field: str, value_m: float, *, zero: bool = False) -> None:
    """Raise ImpossibleSize unless value_m lies between LEAST_M and MOST_M, or is zero where that is allowed.

    The bounds keep every formula of the room far from overflow; no vessel comes near them.
    """
    if (zero and value_m == 0) or LEAST_M <= value_m <= MOST_M:
        return
    sizes = f"{'0 or ' if zero else ''}{metres(LEAST_M)} to {metres(MOST_M)}"
    raise ImpossibleSize(field, f"{metres(value_m)} is no size of a vessel", f"Sizes are {sizes}.")


def metres(value_m: float) -> str:
    """Return a length for a sentence."""
    return f"{value_m:.6g} m"
