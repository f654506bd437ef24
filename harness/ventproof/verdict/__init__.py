"""What was found, and its wording: verdicts, findings, numbers as text; pure.

Imports the bench's base.
"""
