"""Whether a scheme keeps its promises, in every order of events; when not, a counter-example told in words.

Site and compiled scheme -> verdicts. Nothing here runs on a plant, and "holds" speaks of a checked model: it is never
a statement that something is safe.
"""

from sidetap.verify.equivalence import equivalent
from sidetap.verify.goals import Reached
from sidetap.verify.prover import Memory
from sidetap.verify.story import Step
from sidetap.verify.verification import Progress, Verdict, Verification, recheck, verify, verify_model

__all__ = [
    "Memory",
    "Progress",
    "Reached",
    "Step",
    "Verdict",
    "Verification",
    "equivalent",
    "recheck",
    "verify",
    "verify_model",
]
