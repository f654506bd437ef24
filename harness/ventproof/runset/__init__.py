"""A set of runs: the manifest that closes it, whether all of it is here, and the bundle to hand over.

Imports log and below.
"""
