"""How a tap ends, and how it does not begin."""

from sidetap.errors import BadInput


class TapLost(BadInput):
    """The device is gone or the other side hung up; what was read before stays good."""

    def __init__(self, source: str, reason: str) -> None:
        problem = f"the line's bytes ended: {reason.lower()}"
        super().__init__(source, problem, "Check the adapter and its cable.")


class OtherAdapter(BadInput):
    """There is an adapter, but not the one that was there before. It was not opened."""


def reason_of(error: Exception) -> str:
    """Return why the system refused, in its own words."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error.args[-1] if error.args else "refused").lower()
