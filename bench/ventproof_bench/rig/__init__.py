"""The running bench: built from a file, polled, opened and closed in one way.

Imports outputs, relays, benchcheck and below.
"""
