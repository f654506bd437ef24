"""Profile in, record out."""
