"""A second plant model, made to judge the rules: its formulas are not theirs, nor the simulator's.

It writes a labelled folder (site files, samples, faults) of condensers with pumps on real head
curves, motors with power factor, pads by the Lewis relation, coils by effectiveness and transfer
units, several kinds of control, and sensors as bad as real ones.
To run: ``python -m tests.other_plant --out DIR``.
"""
