"""The engine, which records and does not judge; the case, which lets the judge follow; the views."""
