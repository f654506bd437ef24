"""The unit in software: its inputs, overrides, drives and registers, in continuous time; pure.

Imports mock.faults, yamlfile, base.
"""
