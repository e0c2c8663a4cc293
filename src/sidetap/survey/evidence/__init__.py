"""What the changes of registers tell, counted as answers come: words in, histograms out, nothing kept of the record.

Every way to read neighbouring registers as one value is counted by the same law, so that the ways can be compared
later, at any moment, without going back to the answers. Order of arrival counts; how the answers were cut into
portions does not show.
"""

from sidetap.survey.evidence.evidence import Evidence
from sidetap.survey.evidence.ways import ORDERS, Way, fault_codes

__all__ = ["ORDERS", "Evidence", "Way", "fault_codes"]
