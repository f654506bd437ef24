"""The mock's ends of real wires: Modbus servers and relay boards on sockets and pseudo-terminals.

Imports mock, yamlfile, base.
"""
