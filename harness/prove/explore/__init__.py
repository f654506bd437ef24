"""Looks for weather in which a unit does not do what its override table says, and keeps the shortest."""
