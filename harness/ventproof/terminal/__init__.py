"""What a terminal shows: tables, live screens, reasons. Owns rich.

Imports everything but cli.
"""
