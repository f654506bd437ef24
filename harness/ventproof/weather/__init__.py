"""Physics, from weather to the terminals of a sensor; pure.

Imports the bench's base.
"""
