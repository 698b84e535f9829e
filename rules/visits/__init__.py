"""Which visits to make: when, by which crew, and what is done together. Pure planning.

The model is in :mod:`rules.visits.problem`, the search in :mod:`rules.visits.planner`.
"""
