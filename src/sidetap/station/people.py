"""Who may do what at a bay: a name and what is asked -> fine, or a sentence that says why not.

Names and roles come from the site's people file. There is no PIN yet: a name is believed.
"""

from collections.abc import Iterable

from sidetap.site.model import Person

OPERATOR, LEAD, ENGINEER = "operator", "lead", "engineer"
AT_THE_BAY = (OPERATOR, LEAD)  # open and end tickets, reset trips and lock-outs


class People:
    """The people of a site."""

    def __init__(self, people: Iterable[Person]) -> None:
        self._roles = {person.name: person.role for person in people}

    def objection(self, name: object, roles: tuple[str, ...]) -> str | None:
        """Return why a person of that name can't do what only roles may do, or None when that is fine."""
        if not isinstance(name, str) or name not in self._roles:
            return f"{name if isinstance(name, str) and name else 'nobody'} is not a known person here"
        if self._roles[name] not in roles:
            return (
                f"{name} is {_with_article(self._roles[name])}; this needs {' or '.join(map(_with_article, roles))}"
            )
        return None


def _with_article(role: str) -> str:
    return f"{'an' if role[0] in 'aeiou' else 'a'} {role}"
