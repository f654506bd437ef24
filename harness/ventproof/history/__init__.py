"""An index of runs made from logs; the logs stay the truth.

Imports report and below; owns SQLAlchemy.
"""
