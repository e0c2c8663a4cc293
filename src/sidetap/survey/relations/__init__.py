"""What physics can add without guessing: registers that fit together as laws or plain arithmetic say they would.

Devices with their values, and what people noted, in; `Relation`s out, each with its evidence in words. Nothing here
changes what a register is taken for; a relation is one more thing an engineer can check.
"""

from sidetap.survey.relations.find import relations
from sidetap.survey.relations.meter import nothing_but_a_meter
from sidetap.survey.relations.relation import Relation, RelationKind, Tied

__all__ = ["Relation", "RelationKind", "Tied", "nothing_but_a_meter", "relations"]
