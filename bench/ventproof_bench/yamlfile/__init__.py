"""YAML text to checked models, every problem with its place.

Imports base.
"""
