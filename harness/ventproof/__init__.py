"""ventproof: a profile goes in, a record comes out. The command line is `ventproof.cli`."""
