"""Visits: from what is due to a crew's day, with the work pack that goes with it."""
