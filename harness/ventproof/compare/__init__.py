"""Firmware versions side by side.

Imports history, statistics and below.
"""
