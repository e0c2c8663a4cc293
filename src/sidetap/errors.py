"""The exceptions of the whole house, one small tree.

    SidetapError        a place, a problem and a remedy: one line a person can act on
    ├── BadInput        a file or an argument that can't be used      (exit status 2)
    └── Refused         the input is fine, the answer is no           (exit status 1)

What the *line* does wrong is never an exception but an event with a reason: a tapped line is wrong all the time.
"""


class SidetapError(Exception):
    """A problem of the user's, told as ``PLACE: PROBLEM. REMEDY``.

    place: a file with line and column, a port, a vessel: whatever the reader can go to.
    problem: what is wrong there, without a full stop at its end.
    remedy: what to do about it, a sentence.
    """

    def __init__(self, place: str, problem: str, remedy: str) -> None:
        self.place = place
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{printable(place)}: {printable(problem)}. {printable(remedy)}")


class BadInput(SidetapError):
    """A file or an argument that can't be used."""


class Refused(SidetapError):
    """The input can be used, and the answer is no."""


def printable(text: str) -> str:
    """Return text with control characters escaped, so that a file's name can't forge a second line."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
