"""How far people and the tool agree on the same repetitions: kappa of verdicts, ICC of measures.

read_ratings   a table of ratings by people (CSV) -> Rating
agree          ratings and reports -> Agreed, with intervals
"""

from analysis.agreement.agree import Agreed, MeasureAgreement, VerdictAgreement, agree
from analysis.agreement.ratings import TOOL, Rating, read_ratings

__all__ = ["TOOL", "Agreed", "MeasureAgreement", "Rating", "VerdictAgreement", "agree", "read_ratings"]
