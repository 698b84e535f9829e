"""The engineering: signals, equipment, physics, faults, alarms. Pure: no I/O and no clock."""
