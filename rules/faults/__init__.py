"""The faults, one module a subject, and the registry that lists them."""
