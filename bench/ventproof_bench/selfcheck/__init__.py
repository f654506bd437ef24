"""The bench measures itself and its wiring.

Imports rig and below.
"""
