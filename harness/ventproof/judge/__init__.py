"""From readings to findings and the sentences that give reasons; pure.

Imports deciders and below.
"""
