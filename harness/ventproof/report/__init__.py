"""Reports for people: HTML and PDF, made from logs alone.

Imports figures, export and below.
"""
