"""Random weather in search of a violation of the override table.

Imports draft, challenge and below.
"""
