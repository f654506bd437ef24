"""A profile followed through a run's events, live or from a log; pure.

Imports profile, judge, log and below.
"""
