"""The engine: plays a profile on a rig and records what happens. It does not judge.

Imports case, rig and below.
"""
