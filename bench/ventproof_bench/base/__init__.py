"""What every package shares: errors, quantities, evidence, clock, files.

Imports nothing of ours.
"""
