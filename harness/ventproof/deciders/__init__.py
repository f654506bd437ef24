"""Formulas of bounded time, decided over an envelope with their margins; pure.

Imports envelope, verdict.
"""
