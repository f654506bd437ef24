"""Proof: what a unit owes by its override table, profiles drafted from it, and what a suite would miss."""
