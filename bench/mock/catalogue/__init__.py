"""The catalogue of faults of the mock unit, a module a family."""
