"""A suite tried against the mock's faults and against healthy variations.

Imports run, table and below.
"""
