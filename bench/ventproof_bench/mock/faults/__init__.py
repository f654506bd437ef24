"""What can be wrong with the mock unit: its knobs, and the faults that have names; pure.

Imports base.
"""
