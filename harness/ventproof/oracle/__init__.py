"""What an override table demands of a unit, reckoned without the mock; pure.

Imports table and below.
"""
