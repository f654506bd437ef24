"""Whether logs are believed: their evidence judged again.

Imports case and below, never run.
"""
