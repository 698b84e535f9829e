"""Pure physics of the plant: air, pads, refrigerant, water, pump and condenser.

Vectorised functions over arrays; no state, no clock, no knowledge of units, sites or faults.
"""
