"""The live page: what a browser or a phone shows of a command while it works.

It is served by a process of its own that follows the command's logs, so that no page can hold up a run.
"""
