"""What a command runs: profiles, repeats, self-checks; logs signed and entered.

Imports run, history and below.
"""
