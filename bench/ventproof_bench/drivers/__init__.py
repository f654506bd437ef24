"""What an output driver is, and the serial ports that drivers share.

Imports benchfile and below.
"""
