"""One Modbus bus: its link, its registers, its traffic. The only package that speaks pymodbus, with mock.wires.

Imports benchfile and below.
"""
