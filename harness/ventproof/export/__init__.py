"""Files for other programs: JUnit, Markdown, JSON; pure.

Imports rejudge and below.
"""
