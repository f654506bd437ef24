"""Pictures (SVG) of responses, runs and trends; pure.

Imports rejudge, case and below.
"""
