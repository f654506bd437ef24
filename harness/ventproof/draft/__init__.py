"""Profiles drafted from an override table, and the trace of its rules.

Imports oracle, profile and below.
"""
