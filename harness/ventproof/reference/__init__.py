"""The words of the files, with examples and schemas; texts are data beside it.

Imports profile, table and below.
"""
