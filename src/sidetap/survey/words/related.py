"""What registers have to do with one another, in words: what fits, the evidence, what follows."""

from sidetap.errors import printable
from sidetap.survey.relations import Relation


def relation_words(relation: Relation) -> list[str]:
    """Return what fits, then the evidence and what may be concluded; what people noted in it is escaped."""
    return [
        printable(relation.text),
        f"Evidence: {printable(relation.evidence)}",
        f"So: {printable(relation.follows)}",
    ]
