"""The settings of a line from the moments at which its level changed: a capture of edges in, a verdict out.

``read`` takes csv and value change dumps, ``identify`` finds baud, framing and polarity with a probability that means
something, and the evidence for it. Knows no frames but to ask whether their check codes fit.
"""

from sidetap.line.edges.deciding import Answer, Evidence, Verdict, identify
from sidetap.line.edges.model import Edges
from sidetap.line.edges.reading import read

__all__ = ["Answer", "Edges", "Evidence", "Verdict", "identify", "read"]
