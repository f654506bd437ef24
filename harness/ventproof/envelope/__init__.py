"""What readings prove of the time between them; pure.

Imports the bench's base.
"""
