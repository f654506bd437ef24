"""One module a driver, named as bench files name it; nothing else may stand here.

Imports drivers, modbus and below.
"""
