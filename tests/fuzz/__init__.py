"""Everything that comes from outside, fed with whatever bytes there are; see :mod:`.targets`."""
