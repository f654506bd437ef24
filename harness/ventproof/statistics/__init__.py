"""Numbers in, numbers out: conformity, repeats, tolerance limits, shifts; pure.

Imports verdict; owns SciPy.
"""
