"""``basinward evaluate``: labelled histories through the real rules, and how well they did.

:mod:`~gateway.evaluation.folder` reads the folder, :mod:`~gateway.evaluation.run` plays it through
the engine and the ticket desk, :mod:`rules.evaluation` counts, and report, document and picture
tell it. Nothing is recorded and no mail is sent.
"""
