"""A vent with its drive: how it moves, what its sensors tell, what its contacts prove of it; pure.

Imports base.
"""
