"""The bench file's model: buses, outputs, signals, sensors; pure.

Imports mock, yamlfile, base.
"""
