"""The test as written, checked and tied to a bench.

Imports judge, weather, benchcheck and below.
"""
