"""What is demanded of drives, by their flags: formulas and their deciders on the windows of edges; pure.

Imports envelope and below.
"""
