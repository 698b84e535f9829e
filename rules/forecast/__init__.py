"""When a part will reach its limit, as a range of dates or as an honest 'cannot be told'."""

from rules.forecast.due import STALE_DAYS, DueRange, Verdict, due_range
from rules.forecast.season import pace_of
from rules.forecast.series import Figure, cut

__all__ = ["STALE_DAYS", "DueRange", "Figure", "Verdict", "cut", "due_range", "pace_of"]
