"""The override table: what a unit must do, loaded and checked.

Imports benchcheck and below.
"""
