"""How well the rules do on histories whose faults are known: definitions and arithmetic, no files.

:mod:`rules.evaluation.cases` holds what is compared (labelled faults, alarms, tickets),
:mod:`~rules.evaluation.matching` says which alarm belongs to which fault,
:mod:`~rules.evaluation.scoring` counts, and :mod:`~rules.evaluation.intervals` says how sure a
count of few is.
"""
