"""The chained log, written, signed and read back as typed events.

Imports verdict and below.
"""
