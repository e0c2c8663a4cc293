"""A survey's and a match's document -> the text of a first site file, with the evidence in comments.

What the documents settle is written as keys; what nobody can know from listening stays a commented line with a
question mark. Nothing is confirmed on anybody's behalf, and nothing here reads or writes a file.
"""

from sidetap.site.first_file.told import MatchTold, SurveyTold, read_match, read_survey
from sidetap.site.first_file.writing import FirstFile, first_site_file

__all__ = ["FirstFile", "MatchTold", "SurveyTold", "first_site_file", "read_match", "read_survey"]
