"""From a bench file to a sheet that a technician can wire from.

Imports report, figures, verdict, and the bench's files and drivers.
"""
