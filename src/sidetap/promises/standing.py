"""All that may stand against a valve from beyond its own bay, as the judges see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sidetap.promises.sharing import Sharing
from sidetap.promises.valves import ValveFacts
from sidetap.promises.vessels import VesselFacts
from sidetap.scheme.expression import Expr


@dataclass(frozen=True, slots=True)
class Standing:
    """By vessel, by valve, and by rule: votes that are carried, quiet hours that are on.

    holding: the start hold isn't over.
    """

    vessels: Mapping[str, VesselFacts]
    sharing: Mapping[str, Sharing]
    carried: Mapping[str, Expr]
    quiet: Mapping[str, Expr]
    holding: Expr

    def near(self, valve: ValveFacts) -> tuple[str, ...]:
        """Return the owners of all that may stand against a valve."""
        sharing = self.sharing[valve.tag]
        return (valve.valve.vessel, valve.valve.bay, *sharing.bays, *sharing.enough, "site")
