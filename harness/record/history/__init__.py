"""The history: an index of every run, made from the logs, which stay the truth."""
