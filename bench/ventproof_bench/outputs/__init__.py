"""Outputs driven on time and made safe, from this process or from the line process.

Imports drivers, modbus and below.
"""
