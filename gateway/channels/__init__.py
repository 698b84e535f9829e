"""Ways to tell of a ticket beside its mail: a short text, and a call of another system."""
